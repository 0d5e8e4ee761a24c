/* The clock: timer 2 (datasheet: 8-bit Timer/Counter2) in steps of 4 µs. And the watchdog (datasheet: Watchdog System Reset), which a hung
 * program has no means to stop: the reset that it makes leaves all pins open, so the track is off. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <util/atomic.h>

#include "hardware.h"
#include "pins.h"

static volatile uint32_t turns; /* of 256 steps; written by the interrupt, read with interrupts held */

ISR(TIMER2_OVF_vect)
{
	turns++;
}

void clock_start(void)
{
	TCCR2A = 0;
	TCCR2B = 1 << CS22; /* 16 MHz / 64 */
	TIMSK2 = 1 << TOIE2;
}

uint32_t clock_micros(void)
{
	uint32_t t;
	uint8_t steps;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		t = turns;
		steps = TCNT2;
		if (TIFR2 & 1 << TOV2 && steps < 128)
			t++; /* it has turned, and its interrupt waits */
	}
	return (t << 8 | steps) * 4;
}

bool watchdog_start(void)
{
	/* After a reset that it made itself, it runs on with its shortest time, and can't be set before the flag is cleared. A loader that has
	 * run before and has cleared the flag hides why the reset was. */
	bool ended_it = (MCUSR & 1 << WDRF) != 0;
	MCUSR = 0;
	wdt_enable(WDTO_120MS);
	return ended_it;
}

void watchdog_restart(void)
{
	wdt_reset();
}
