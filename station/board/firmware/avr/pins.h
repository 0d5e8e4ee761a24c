/* The chip: an ATmega328P at 16 MHz. The sections are those of its datasheet.
 *
 *     PB1 (OC1A)   signal, to the bridge's PHASE         PC0 (ADC0)  current, 4 mV a mA
 *     PD4          the bridge's ENABLE, high is on       PC5 (ADC5)  supply over 4.9
 *     PD0, PD1     serial line                           PC1 to PC4  gates 1 to 4, closed is low
 *
 * Timer 1 makes the signal (signal.c), the converter runs freely (converter.c), timer 2 is the clock (clock.c, with the watchdog).
 *
 * The signal's interrupt must be served within a half, which is 928 cycles at least. No interrupt waits or lets in another one; the longest,
 * the converter's, took about 270 cycles in simavr. Those that the chip prefers to the signal's (datasheet: Interrupts) come at most once in
 * a turn of the main loop (gates) and once in 1024 µs (clock). */
#ifndef PINS_H
#define PINS_H

#include <stdbool.h>

void signal_start(void);
void converter_start(void);
void serial_start(void);
void clock_start(void);
void gates_pins_start(void);
void bridge_start(void);

bool signal_runs(void);    /* since the last time that this was true there has been a half */
bool converter_runs(void); /* the same of a sample */

bool watchdog_start(void);    /* before anything else; whether it has ended the program that ran before */
void watchdog_restart(void);  /* it ends the program where this is not called for 120 ms */

#endif
