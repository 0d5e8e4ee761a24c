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
	for (;;) {
		watchdog_restart();
		requests_poll();
	}
}
