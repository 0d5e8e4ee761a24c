/* The board's program. What it does is in requests.h. */
#include <avr/interrupt.h>

#include "requests.h"
#include "pins.h"

int main(void)
{
	bool watchdog = watchdog_start();
	bridge_start();
	signal_start();
	converter_start();
	serial_start();
	clock_start();
	gates_pins_start();
	sei();
	requests_start(watchdog);
	/* A signal that stands still is DC on the track, and without samples nothing cuts a short: the watchdog ends both. */
	bool signal = false, samples = false;
	for (;;) {
		signal = signal_runs() || signal;
		samples = converter_runs() || samples;
		if (signal && samples) {
			watchdog_restart();
			signal = samples = false;
		}
		requests_poll();
	}
}
