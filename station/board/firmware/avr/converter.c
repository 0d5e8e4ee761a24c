/* The converter (datasheet: Analog-to-Digital Converter) runs freely at 250 kHz, a sample in 13 of its cycles. That is above the 200 kHz up
 * to which the datasheet promises all ten bits; a count more or less is 1.2 mA.
 *
 * The supply is looked at now and then, while nobody listens to the current. Where the input is changed the conversion that has begun still
 * has the one before, so the first sample behind a change is thrown away; meanwhile the current is taken to be as it was. */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "sensor.h"
#include "pins.h"

enum { CURRENT = 1 << REFS0 | 0, SUPPLY = 1 << REFS0 | 5 }; /* ADMUX: against AVCC */

enum { LOOK = 250 }; /* after so many samples, about 13 ms */

static volatile uint16_t supply; /* written by the interrupt, read with interrupts held */
static volatile bool sampled;    /* set by the interrupt, taken back by the main loop */

ISR(ADC_vect)
{
	static uint16_t current;
	static uint8_t turn;
	uint16_t counts = ADC;
	uint8_t now = turn++;

	if (now < LOOK) {
		current = counts;
		if (turn == LOOK) {
			if (sensor_deaf())
				ADMUX = SUPPLY;
			else
				turn = 0;
		}
	} else if (now == LOOK + 1) { /* the one before is thrown away, and so is the next */
		supply = counts;
		ADMUX = CURRENT;
	} else if (now == LOOK + 2) {
		turn = 0;
	}
	sensor_sample(current);
	sampled = true;
}

bool converter_runs(void)
{
	bool runs = sampled;
	if (runs)
		sampled = false; /* should a sample come in between, the next one is as good */
	return runs;
}

void converter_start(void)
{
	ADMUX = CURRENT;
	DIDR0 = 1 << ADC0D | 1 << ADC5D;
	ADCSRB = 0;
	ADCSRA = 1 << ADEN | 1 << ADSC | 1 << ADATE | 1 << ADIE | 1 << ADPS2 | 1 << ADPS1;
}

uint16_t supply_counts(void)
{
	uint8_t interrupts = interrupts_hold();
	uint16_t counts = supply;
	interrupts_release(interrupts);
	return counts;
}
