/* The gates: sensors at the track, closed where something stands in them. An edge counts at once; what follows within a few ms is the
 * contact's bouncing, and how the gate is after that counts again. */
#ifndef GATES_H
#define GATES_H

#include "frames.h"
#include "hardware.h"

enum { GATES = 4 };

void gates_start(void);   /* how they are now is no event */
uint8_t gates_now(void);  /* bit 0 is gate 1: 1 where it is closed */
void gates_poll(void);    /* its edges go to events_gate */

#endif
