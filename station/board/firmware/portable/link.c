#include "link.h"

enum { HEAD = 2, CRC = 2 }; /* bytes of a frame before its payload, and behind it */

#ifdef __FLASH /* avr-gcc has it as an address space of its own; without it the table would be copied to memory */
#define IN_FLASH __flash
#else
#define IN_FLASH
#endif

static const IN_FLASH struct { uint8_t type, least, most; } lengths[] = { FRAME_LENGTHS };

/* CRC-16/GENIBUS: polynomial 1021, high bit first, begun with FFFF, sent inverted; with it behind them, all frames leave the same. */
#define CRC_BEGIN 0xFFFF
#define CRC_RIGHT 0x1D0F

static uint16_t crc_add(uint16_t crc, uint8_t byte)
{
	/* the eight shifts of a byte in one: what they would bring in is t at bits 0, 5 and 12 */
	uint8_t t = (uint8_t)(crc >> 8) ^ byte;
	t ^= t >> 4;
	return (uint16_t)(crc << 8) ^ (uint16_t)((uint16_t)t << 12) ^ (uint16_t)((uint16_t)t << 5) ^ t;
}

static bool length_fits(uint8_t type, uint8_t length)
{
	for (uint8_t i = 0; i < sizeof lengths / sizeof lengths[0]; i++)
		if (lengths[i].type == type)
			return length >= lengths[i].least && length <= lengths[i].most;
	return false;
}

static void keep(struct link_reader *r, uint8_t byte)
{
	uint8_t i = r->taken;
	if (i == HEAD + LINK_MAX_PAYLOAD + CRC) {
		r->too_long = true;
		return;
	}
	if (i == 0) {
		r->crc = CRC_BEGIN;
		r->frame.type = byte;
	} else if (i == 1) {
		r->frame.number = byte;
	} else if (i < HEAD + LINK_MAX_PAYLOAD) {
		r->frame.payload[i - HEAD] = byte; /* or of the CRC, which then stands behind the payload, where nobody looks */
	}
	r->crc = crc_add(r->crc, byte);
	r->taken = i + 1;
}

bool link_take(struct link_reader *r, uint8_t byte, struct frame **f)
{
	if (byte == 0) {
		bool right = !r->too_long && r->run == 0 && r->taken >= HEAD + CRC && r->crc == CRC_RIGHT;
		r->frame.length = r->taken - HEAD - CRC;
		right = right && length_fits(r->frame.type, r->frame.length);
		r->taken = r->run = 0;
		r->begun = r->too_long = false;
		*f = &r->frame;
		return right;
	}
	if (r->run > 0) {
		r->run--;
		keep(r, byte);
		return false;
	}
	if (r->begun)
		keep(r, 0);
	r->begun = true;
	r->run = byte - 1;
	return false;
}

struct outgoing {
	uint8_t head[HEAD], crc[CRC];
	const uint8_t *payload;
	uint8_t length;
};

static uint8_t at(const struct outgoing *o, uint8_t i)
{
	if (i < HEAD)
		return o->head[i];
	i -= HEAD;
	return i < o->length ? o->payload[i] : o->crc[i - o->length];
}

void link_put(uint8_t type, uint8_t number, const void *payload, uint8_t length, void (*put)(uint8_t))
{
	struct outgoing o = { .head = { type, number }, .payload = payload, .length = length };
	uint16_t crc = CRC_BEGIN;
	for (uint8_t i = 0; i < HEAD + length; i++)
		crc = crc_add(crc, at(&o, i));
	o.crc[0] = (uint8_t)(~crc >> 8);
	o.crc[1] = (uint8_t)~crc;

	/* From one zero byte to the next: how far it is, and what is between. At the end there is one more, of which only the way is told. */
	uint8_t total = (uint8_t)(HEAD + length + CRC);
	for (uint8_t i = 0; i <= total; i++) {
		uint8_t zero = i;
		while (zero < total && at(&o, zero) != 0)
			zero++;
		put((uint8_t)(zero - i + 1));
		for (; i < zero; i++)
			put(at(&o, i));
	}
	put(0);
}
