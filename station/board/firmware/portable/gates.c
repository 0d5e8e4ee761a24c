#include "gates.h"

#include "events.h"

/* How long a reed or a relay bounces at most; common practice, no source. */
#define BOUNCE_MICROS 5000

static uint8_t closed;
static uint8_t bouncing;
static uint32_t edge[GATES]; /* when the last one was, of those that are bouncing */

void gates_start(void)
{
	uint32_t at;
	gates_read(&at);
	closed = gates_read(&at); /* the first one may be how they were before they were asked */
}

uint8_t gates_now(void)
{
	return closed;
}

void gates_poll(void)
{
	uint32_t at;
	uint8_t now = gates_read(&at);
	for (uint8_t gate = 0; gate < GATES; gate++) {
		uint8_t bit = (uint8_t)(1 << gate);
		if (bouncing & bit) {
			if ((int32_t)(at - edge[gate]) < BOUNCE_MICROS)
				continue;
			bouncing &= (uint8_t)~bit;
		}
		if ((now ^ closed) & bit) {
			closed ^= bit;
			bouncing |= bit;
			edge[gate] = at;
			events_gate(gate + 1, (now & bit) != 0, at);
		}
	}
}
