/* What the host asks, and what becomes of it. Begin here: all that the board does happens in requests_poll, but for keeping the signal's
 * time, sampling, and turning the track off when too much current flows, which are interrupts.
 *
 * frames.h says what may be asked. On and train are done once only: the board numbers them, and knows the answer to the last one. */
#ifndef REQUESTS_H
#define REQUESTS_H

#include <stdbool.h>

void requests_start(bool watchdog); /* whether the watchdog has ended the program before */
void requests_poll(void);           /* again and again, without a pause */

#endif
