/* The firmware as an ordinary program: the portable part, with another hardware layer. For tests that are too large for a simulation of the
 * chip. It writes records to standard output:
 *
 *     E on(1)                         the bridge is switched
 *     P preamble(1) n(1) bytes(n)     a packet is played
 *     O micros(4, low byte first)     so much time passes without a packet: ones while the track is on, nothing while it is off
 *     U n(1) bytes(n)                 bytes on the serial line to the host
 *
 * P and O make time pass, and nothing else does. Behind each of them it reads a reply from standard input: k(1) and k runs of the current
 * meanwhile, tenths of a mA (2) and for how many samples of 52 µs (2); n(1) and n bytes that have come in on the serial line. It ends
 * with its input.
 *
 * What a preamble in P counts is the ones that go out with it: others may have gone out in O before. A packet that waits for less than
 * FILLER_PREAMBLE is played at once, since nothing takes its place. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "requests.h"
#include "sensor.h"
#include "track.h"

enum { ONE = 2 * ONE_HALF, ZERO = 2 * ZERO_HALF };
enum { ONES_AT_ONCE = 4, OFF_MICROS = 500 }; /* in O: at most 500 µs */

static uint32_t now;
static bool powered;

static enum { EMPTY, LOADED, ENDED } state;
static struct packet packet;
static uint32_t ones; /* since the end bit */

static uint8_t in[255], in_count, in_got;
static uint8_t out[255], out_count;

static void put(const void *bytes, size_t n)
{
	if (fwrite(bytes, 1, n, stdout) != n)
		exit(1);
}

static void get(void *bytes, size_t n)
{
	if (fread(bytes, 1, n, stdin) != n)
		exit(0);
}

static uint8_t get_byte(void)
{
	uint8_t byte;
	get(&byte, 1);
	return byte;
}

static uint16_t get_word(void)
{
	uint8_t low = get_byte();
	return (uint16_t)(low | get_byte() << 8);
}

static void put_out(void)
{
	if (out_count == 0)
		return;
	const uint8_t head[] = { 'U', out_count };
	put(head, sizeof head);
	put(out, out_count);
	out_count = 0;
}

/* Time has passed, and the reply says what was meanwhile. */
static void reply(uint32_t micros)
{
	if (fflush(stdout) != 0)
		exit(1);
	now += micros;
	for (uint8_t runs = get_byte(); runs > 0; runs--) {
		uint32_t tenths = get_word();
		uint32_t counts = tenths * 256 / 3125; /* 1024 for 1250 mA */
		for (uint16_t samples = get_word(); samples > 0; samples--)
			sensor_sample((uint16_t)(counts > 1023 ? 1023 : counts));
	}
	in_got = 0;
	in_count = get_byte();
	get(in, in_count);
}

static void wait_micros(uint32_t micros)
{
	const uint8_t record[] = { 'O', (uint8_t)micros, (uint8_t)(micros >> 8), 0, 0 };
	put(record, sizeof record);
	reply(micros);
}

static void play(uint32_t preamble)
{
	uint32_t micros = (preamble + 1) * ONE;
	for (uint8_t i = 0; i < packet.length; i++) {
		micros += ZERO;
		for (uint8_t bit = 0; bit < 8; bit++)
			micros += packet.bytes[i] >> bit & 1 ? ONE : ZERO;
	}
	const uint8_t head[] = { 'P', (uint8_t)preamble, packet.length };
	put(head, sizeof head);
	put(packet.bytes, packet.length);
	state = ENDED;
	ones = 0;
	reply(micros);
}

static void pass(void)
{
	put_out();
	if (!powered) {
		wait_micros(OFF_MICROS);
		return;
	}
	uint32_t to_go = state == LOADED && packet.preamble > ones ? packet.preamble - ones : 0;
	if (state == LOADED && (to_go == 0 || packet.preamble != FILLER_PREAMBLE)) {
		play(to_go);
		return;
	}
	uint32_t n = to_go > 0 && to_go < ONES_AT_ONCE ? to_go : ONES_AT_ONCE;
	ones += n;
	wait_micros(n * ONE);
}

void bridge_switch(bool on)
{
	if (on == powered)
		return;
	powered = on;
	put_out();
	const uint8_t record[] = { 'E', on };
	put(record, sizeof record);
}

void signal_begin(void)
{
	state = EMPTY;
	ones = 0;
}

void signal_load(const struct packet *p)
{
	packet = *p;
	state = LOADED;
}

bool signal_withdraw(void)
{
	if (state == ENDED)
		return false;
	state = EMPTY;
	return true;
}

bool signal_ended(void)
{
	if (state != ENDED)
		return false;
	state = EMPTY;
	return true;
}

uint16_t supply_counts(void)
{
	return 627; /* 15 V */
}

uint8_t gates_read(uint32_t *micros)
{
	*micros = now;
	return 0;
}

uint32_t clock_micros(void)
{
	return now;
}

int16_t serial_get(void)
{
	return in_got < in_count ? in[in_got++] : -1;
}

uint8_t serial_room(void)
{
	return (uint8_t)(sizeof out - out_count);
}

void serial_put(uint8_t byte)
{
	out[out_count++] = byte;
	if (out_count == sizeof out)
		put_out();
}

uint8_t interrupts_hold(void)
{
	return 0;
}

void interrupts_release(uint8_t held)
{
	(void)held;
}

int main(void)
{
	requests_start(false);
	for (;;) {
		do
			requests_poll();
		while (in_got < in_count || state == ENDED);
		pass();
	}
}
