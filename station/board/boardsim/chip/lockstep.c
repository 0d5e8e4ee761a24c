/*
 * The chip of the open board, an ATmega328P at 16 MHz, cycle by cycle in simavr, in lockstep with the program that started this one.
 *
 * Standard input begins with the length of the flash image and the image. Then each order is what the chip is to see, and for how many
 * cycles at most: it ends earlier where the chip does anything but play its signal. The reply on standard output is for how many it was,
 * and what the chip did in them: a count, and so many events. All ends with the input. Everything is as this machine has it in memory:
 * both ends run on the same one.
 */
#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_cycle_timers.h>
#include <simavr/sim_time.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { FREQUENCY = 16000000, SUPPLY_MV = 5000 };

/* Where the chip has its registers, in its data space (the datasheet's register summary). */
enum { DDRC = 0x27, PORTD = 0x2B, DDRD = 0x2A, UCSR0A = 0xC0, UBRR0L = 0xC4, UBRR0H = 0xC5, TIMSK1 = 0x6F, ADCSRA = 0x7A };
enum { ENABLE = 1 << 4, GATES = 0x1E, U2X0 = 1 << 1, OCIE1A = 1 << 1, ADIE = 1 << 3 };

enum { AS_LONG_AS_IT_CAN = 1 << 20 }; /* cycles without a look at the library's timers, which shorten it themselves */
/* hung: the main program alone, or its interrupts too; or only the interrupt of the signal, or of the converter */
enum { RUNS, HANG_MAIN, HANG_ALL, HANG_SIGNAL, HANG_CONVERTER };

struct order {
	uint32_t cycles;
	uint16_t current, supply; /* millivolts at ADC0 and at ADC5 */
	int16_t byte;             /* whose start bit comes in now, or -1 */
	uint8_t gates;            /* levels of PC1 to PC4, in their places */
	uint8_t hang;
};

enum { EDGE = 1, SWITCHED, BYTE, RESET, CRASHED };

struct event {
	uint32_t offset; /* in cycles from the beginning of the order */
	uint8_t kind, value;
	uint16_t cycles; /* how long a byte is on the line */
};

static avr_t *avr;
static avr_uart_t *uart;
static avr_cycle_count_t began;
static struct event events[4096];
static struct {
	uint32_t cycles, count;
} reply;
static uint32_t level; /* of the signal */
static int enabled, was_reset, told;
static int gates = -1; /* as they were last raised */
static int hung;
static avr_flashaddr_t hung_at;
static uint8_t instead[2];
static void (*core_reset)(avr_t *);

static void die(const char *what)
{
	fprintf(stderr, "%s\n", what);
	exit(1);
}

static void event(uint8_t kind, uint8_t value, uint16_t cycles)
{
	if (reply.count == sizeof events / sizeof *events)
		die("the chip did more in one order than there is room to tell of");
	events[reply.count++] = (struct event){(uint32_t)(avr->cycle - began), kind, value, cycles};
	if (kind != EDGE) {
		told = 1;
		avr->run_cycle_count = 0; /* go on no further than this instruction */
	}
}

/* ENABLE is high only where the program drives it: a resistor pulls it down. */
static void switched(void)
{
	int now = (avr->data[DDRD] & avr->data[PORTD] & ENABLE) != 0;

	if (now != enabled)
		event(SWITCHED, (uint8_t)(enabled = now), 0);
}

/*
 * The library tells of a compare match more than once, and divides no instruction: it may tell of an edge up to three cycles late, by
 * the instruction that the chip was at. In the chip the timer alone makes the edge.
 */
static void on_signal(struct avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq, (void)param;
	if ((value & 1) != level)
		event(EDGE, (uint8_t)(level = value & 1), 0);
}

static void on_enable(struct avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq, (void)value, (void)param;
	switched();
}

/*
 * How long a byte is on the line, as the program has set it. The library works it out when UBRR0 is written, and so takes a line for half
 * as fast whose U2X0 is set after it; in the chip the order does not matter.
 */
static uint16_t byte_cycles(void)
{
	int divisor = (avr->data[UBRR0H] << 8 | avr->data[UBRR0L]) + 1;

	uart->cycles_per_byte = 10 * divisor * (avr->data[UCSR0A] & U2X0 ? 8 : 16);
	return (uint16_t)uart->cycles_per_byte;
}

static void on_byte(struct avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq, (void)param;
	event(BYTE, (uint8_t)value, byte_cycles());
}

/*
 * Hangs the program: where it is in its main program, with interrupts on, the instruction becomes a jump to itself. Until it is there it
 * goes on, one instruction at a time. A reset puts the instruction back. An interrupt hangs once it is not enabled any more.
 */
static void hang(int how)
{
	static const uint8_t here[2] = {0xFF, 0xCF}; /* rjmp .-2 */

	if (how == HANG_SIGNAL)
		avr->data[TIMSK1] &= (uint8_t)~OCIE1A;
	else if (how == HANG_CONVERTER)
		avr->data[ADCSRA] &= (uint8_t)~ADIE;
	if (how == HANG_SIGNAL || how == HANG_CONVERTER)
		how = RUNS;
	avr->run_cycle_limit = how == RUNS || hung ? AS_LONG_AS_IT_CAN : 1;
	if (how == RUNS || hung || !avr->sreg[S_I])
		return;
	hung = 1;
	hung_at = avr->pc;
	memcpy(instead, avr->flash + hung_at, sizeof instead);
	memcpy(avr->flash + hung_at, here, sizeof here);
	if (how == HANG_ALL)
		avr->sreg[S_I] = 0;
}

static void on_reset(avr_t *chip)
{
	if (hung)
		memcpy(avr->flash + hung_at, instead, sizeof instead);
	hung = 0;
	gates = -1;
	core_reset(chip);
	was_reset = 1;
}

static avr_cycle_count_t stop(avr_t *chip, avr_cycle_count_t when, void *param)
{
	(void)chip, (void)when, (void)param;
	return 0;
}

/* As the library sleeps, but in no time at all. */
static void no_sleep(avr_t *chip, avr_cycle_count_t cycles)
{
	(void)chip, (void)cycles;
}

static void quiet(avr_t *chip, const int level, const char *format, va_list args)
{
	(void)chip;
	if (level <= LOG_ERROR)
		vfprintf(stderr, format, args);
}

static void get(void *to, size_t n)
{
	for (char *p = to; n > 0;) {
		ssize_t got = read(0, p, n);
		if (got <= 0)
			exit(0);
		p += got, n -= (size_t)got;
	}
}

static void put(const void *from, size_t n)
{
	for (const char *p = from; n > 0;) {
		ssize_t done = write(1, p, n);
		if (done <= 0)
			exit(0);
		p += done, n -= (size_t)done;
	}
}

static void load(void)
{
	static uint8_t flash[0x8000];
	uint32_t length;

	avr = avr_make_mcu_by_name("atmega328p");
	if (!avr || avr_init(avr) != 0)
		die("simavr has no ATmega328P");
	avr->frequency = FREQUENCY;
	avr->vcc = avr->avcc = avr->aref = SUPPLY_MV;
	avr->sleep = no_sleep;
	core_reset = avr->reset;
	avr->reset = on_reset;
	get(&length, sizeof length);
	if (length > sizeof flash)
		die("the image is larger than the flash of an ATmega328P");
	get(flash, length);
	avr_loadcode(avr, flash, length, 0);
	for (avr_io_t *io = avr->io_port; io; io = io->next)
		if (strcmp(io->kind, "uart") == 0)
			uart = (avr_uart_t *)io; /* of which it is the first part */
	if (!uart)
		die("simavr's ATmega328P has no serial line");
	uart->flags = 0; /* neither prints nor waits */
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 1), on_signal, NULL);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 4), on_enable, NULL);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), IOPORT_IRQ_DIRECTION_ALL), on_enable, NULL);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte, NULL);
}

static void see(const struct order *o)
{
	avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0), o->current);
	avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC5), o->supply);
	if (o->gates != gates) {
		/* First what the pins are from outside, which holds whatever the program writes to the port; then the change itself. */
		avr_ioport_external_t outside = {.name = 'C', .mask = GATES, .value = o->gates};
		avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('C'), &outside);
		for (int pin = 1; pin <= 4; pin++)
			if (gates < 0 || (gates ^ o->gates) >> pin & 1)
				avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('C'), pin), o->gates >> pin & 1);
		gates = o->gates;
	}
	byte_cycles();
	if (o->byte >= 0)
		avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), (uint8_t)o->byte);
}

int main(void)
{
	struct order o;

	avr_global_logger_set(quiet);
	load();
	began = avr->cycle;
	for (;;) {
		get(&o, sizeof o);
		reply.count = 0;
		told = 0;
		was_reset = 1;
		see(&o);
		avr_cycle_count_t end = began + o.cycles;
		while (avr->cycle < end && !told) {
			if (was_reset) { /* or the order has just begun. The library goes on until the next of its timers, so there has to be one */
				was_reset = 0;
				avr_cycle_timer_cancel(avr, stop, NULL);
				avr_cycle_timer_register(avr, end - avr->cycle, stop, NULL);
			}
			hang(o.hang);
			int state = avr_run(avr);
			if (was_reset) {
				event(RESET, 0, 0);
				switched();
			}
			if (state == cpu_Crashed || state == cpu_Done)
				event(CRASHED, 0, 0);
		}
		if (told)
			end = avr->cycle;
		reply.cycles = (uint32_t)(end - began);
		began = end;
		put(&reply, sizeof reply);
		put(events, reply.count * sizeof *events);
	}
}
