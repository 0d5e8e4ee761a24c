/* Frames to the host. */
#ifndef SAY_H
#define SAY_H

#include "hardware.h"
#include "link.h"

/* The longest frame that the board says, as it travels: the answer to hello. */
enum { LONGEST_SAID = 6 + sizeof(struct hello_answer) };

/* Sends a frame, or drops it where the line has no room: the host asks again, and events are sent again. So nothing ever waits. */
static inline void say(uint8_t type, uint8_t number, const void *payload, uint8_t length)
{
	if (serial_room() >= LONGEST_SAID)
		link_put(type, number, payload, length, serial_put);
}

#endif
