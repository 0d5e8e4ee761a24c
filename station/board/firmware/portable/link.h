/* The serial line between the board and its host: frames of a type, a number, a payload and a CRC-16/GENIBUS, encoded by COBS, each
 * followed by a zero byte. frames.h has what they say; the Go side is package fettle/station/board/link, whose comment says how they
 * are used. Portable C: neither allocates, nor knows where the bytes come from. */
#ifndef LINK_H
#define LINK_H

#include <stdbool.h>
#include <stdint.h>

#include "frames.h"

/* A payload is copied to and from its struct of frames.h as it stands in memory. */
_Static_assert(__BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__, "figures in a payload have their low byte first");

struct frame {
	uint8_t type, number;
	uint8_t length; /* of the payload */
	uint8_t payload[LINK_MAX_PAYLOAD];
};

/* Finds the frames in what comes off the line. Zeroed it is ready. */
struct link_reader {
	uint16_t crc;
	uint8_t taken; /* bytes of the frame so far */
	uint8_t run;   /* bytes to come before the next code byte */
	bool begun;    /* a code byte came before: the next one stands for a zero */
	bool too_long; /* all of it is dropped */
	struct frame frame;
};

/* Takes a byte off the line. Where it ends a frame that is right in its CRC, of a type that there is and as long as one of that type, it
 * is true, and *f is that frame until the next call. All else is dropped. */
bool link_take(struct link_reader *r, uint8_t byte, struct frame **f);

/* Gives a frame to put, byte after byte as it travels, with the zero byte at its end. length is at most LINK_MAX_PAYLOAD. */
void link_put(uint8_t type, uint8_t number, const void *payload, uint8_t length, void (*put)(uint8_t));

#endif
