/* The signal, half by half, by timer 1 in its mode CTC (datasheet: 16-bit Timer/Counter1). The timer turns its pin at each compare match
 * by itself, so that no interrupt moves an edge. The interrupt at a match is the beginning of a half, and sets how long this one is; that
 * has been worked out in the interrupt before, so that it is the first thing done. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "hardware.h"
#include "pins.h"

enum { CYCLES = F_CPU / 1000000 }; /* in a µs */

/* LOADED is set by the main loop, PLAYING and ENDED by the interrupt. The main loop writes packet only while it is EMPTY, and takes LOADED
 * back only with interrupts held. */
static volatile enum __attribute__((packed)) { EMPTY, LOADED, PLAYING, ENDED } state;
static struct packet packet;

static volatile bool turned; /* set by the interrupt, taken back by the main loop */

static uint8_t ones;       /* since the end bit; of the interrupt, and of signal_begin with interrupts held */
static uint8_t byte, mask; /* the bit of the packet that comes; mask 0: the bit between two bytes. Of the interrupt */

static bool next_bit(void)
{
	switch (state) {
	case PLAYING:
		if (mask != 0) {
			bool bit = (packet.bytes[byte] & mask) != 0;
			mask >>= 1;
			return bit;
		}
		if (++byte < packet.length) {
			mask = 0x80;
			return false;
		}
		ones = 0;
		state = ENDED;
		return true;
	case LOADED:
		if (ones >= packet.preamble) {
			byte = 0;
			mask = 0x80;
			state = PLAYING;
			return false;
		}
		break;
	default:
		break;
	}
	if (ones < UINT8_MAX)
		ones++;
	return true;
}

ISR(TIMER1_COMPA_vect)
{
	static uint16_t length = CYCLES * ONE_HALF - 1;
	static bool one = true, second; /* the bit at hand; whether the half that comes is its second */

	OCR1A = length;
	if (!second)
		one = next_bit();
	second = !second;
	length = one ? CYCLES * ONE_HALF - 1 : CYCLES * ZERO_HALF - 1;
	turned = true;
}

bool signal_runs(void)
{
	bool runs = turned;
	if (runs)
		turned = false;
	return runs;
}

void signal_start(void)
{
	OCR1A = CYCLES * ONE_HALF - 1;
	TCCR1A = 1 << COM1A0;
	TCCR1B = 1 << WGM12 | 1 << CS10;
	TIMSK1 = 1 << OCIE1A;
	DDRB = 1 << DDB1;
}

void signal_begin(void)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		state = EMPTY;
		ones = 0;
	}
}

void signal_load(const struct packet *p)
{
	packet = *p;
	__asm__ volatile("" ::: "memory"); /* all of it, before the interrupt may look */
	state = LOADED;
}

bool signal_withdraw(void)
{
	bool waits;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		waits = state == EMPTY || state == LOADED;
		if (waits)
			state = EMPTY;
	}
	return waits;
}

bool signal_ended(void)
{
	if (state != ENDED)
		return false;
	state = EMPTY; /* the interrupt changes ENDED into nothing else */
	return true;
}
