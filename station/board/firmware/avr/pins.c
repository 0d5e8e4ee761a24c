/* The bridge and the gates (datasheet: I/O-Ports; External Interrupts), and holding interrupts. */
#include "pins.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "gates.h"

void bridge_start(void)
{
	PORTD &= (uint8_t)~(1 << PORTD4);
	DDRD |= 1 << DDD4;
}

void bridge_switch(bool on)
{
	if (on) /* one instruction each, so an interrupt can't come between */
		PORTD |= 1 << PORTD4;
	else
		PORTD &= (uint8_t)~(1 << PORTD4);
}

enum { GATE_PINS = ((1 << GATES) - 1) << PINC1 };

/* The interrupt keeps the first change, and then switches itself off, so that a gate that flickers can't keep the signal waiting. While it
 * is off, both belong to the main loop. */
static volatile uint8_t changed_to;
static volatile uint32_t changed_at;

static uint8_t closed_now(void)
{
	return (uint8_t)(~PINC & GATE_PINS) >> PINC1;
}

ISR(PCINT1_vect)
{
	changed_to = closed_now();
	changed_at = clock_micros();
	PCICR = 0;
}

void gates_pins_start(void)
{
	PORTC = GATE_PINS; /* pulled up */
	PCMSK1 = GATE_PINS;
	PCICR = 1 << PCIE1;
}

uint8_t gates_read(uint32_t *micros)
{
	if (PCICR == 0) {
		uint8_t closed = changed_to;
		*micros = changed_at;
		PCICR = 1 << PCIE1;
		return closed;
	}
	*micros = clock_micros();
	return closed_now();
}

uint8_t interrupts_hold(void)
{
	uint8_t held = SREG;
	cli();
	return held;
}

void interrupts_release(uint8_t held)
{
	__asm__ volatile("" ::: "memory");
	SREG = held;
}
