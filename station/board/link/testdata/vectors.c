/* Holds the firmware's link.c to the lines of vectors.txt, whose name is the argument. Without one it reads a line's bytes from standard
 * input and says what frames are in them, and how link_put sends each: "TYPE NUMBER PAYLOAD = BYTES". */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "link.h"

enum { MOST = 1024 };

static uint8_t sent[MOST];
static size_t sent_bytes;

static void send(uint8_t byte)
{
	if (sent_bytes == MOST)
		abort();
	sent[sent_bytes++] = byte;
}

static size_t from_hex(const char *digits, uint8_t *bytes)
{
	size_t n = 0;
	unsigned byte;
	for (; sscanf(digits, "%2x", &byte) == 1; digits += 2)
		bytes[n++] = (uint8_t)byte;
	return n;
}

static void print_hex(const uint8_t *bytes, size_t n)
{
	for (size_t i = 0; i < n; i++)
		printf("%02X", bytes[i]);
	if (n == 0)
		printf("-");
}

/* Gives the bytes to the reader; how many frames are in them, and the last one. */
static int take_all(struct link_reader *r, const uint8_t *bytes, size_t n, struct frame *last)
{
	int frames = 0;
	struct frame *f;
	for (size_t i = 0; i < n; i++)
		if (link_take(r, bytes[i], &f)) {
			*last = *f;
			frames++;
		}
	return frames;
}

static bool holds(const char *line, struct link_reader *r)
{
	static const uint8_t behind[] = { 0x02, 0x01, 0x03, 0xD1, 0xC1, 0x00 }; /* hello, number 0 */
	static char payload_hex[MOST], bytes_hex[MOST];
	static uint8_t payload[MOST], bytes[MOST];
	unsigned type, number;
	struct frame f;

	if (sscanf(line, "frame %2x %2x %1023s = %1023s", &type, &number, payload_hex, bytes_hex) == 4) {
		size_t length = strcmp(payload_hex, "-") ? from_hex(payload_hex, payload) : 0, n = from_hex(bytes_hex, bytes);
		sent_bytes = 0;
		link_put((uint8_t)type, (uint8_t)number, payload, (uint8_t)length, send);
		return sent_bytes == n && memcmp(sent, bytes, n) == 0 && take_all(r, bytes, n, &f) == 1 && f.type == type &&
		       f.number == number && f.length == length && memcmp(f.payload, payload, length) == 0;
	}
	if (sscanf(line, "damaged %1023s", bytes_hex) == 1) {
		size_t n = from_hex(bytes_hex, bytes);
		return take_all(r, bytes, n, &f) == 0 && take_all(r, behind, sizeof behind, &f) == 1 && f.type == FRAME_HELLO;
	}
	return line[0] == '#' || line[0] == '\n';
}

static int stream(void)
{
	struct link_reader r = { 0 };
	struct frame *f;
	for (int c; (c = getchar()) != EOF;) {
		if (!link_take(&r, (uint8_t)c, &f))
			continue;
		printf("%02X %02X ", f->type, f->number);
		print_hex(f->payload, f->length);
		printf(" = ");
		sent_bytes = 0;
		link_put(f->type, f->number, f->payload, f->length, send);
		print_hex(sent, sent_bytes);
		printf("\n");
	}
	return 0;
}

int main(int argc, char **argv)
{
	if (argc < 2)
		return stream();
	FILE *file = fopen(argv[1], "r");
	if (!file) {
		perror(argv[1]);
		return 2;
	}
	static char line[MOST];
	struct link_reader r = { 0 };
	int wrong = 0;
	for (int number = 1; fgets(line, sizeof line, file); number++)
		if (!holds(line, &r)) {
			printf("%s:%d: link.c does not hold: %s", argv[1], number, line);
			wrong++;
		}
	return wrong > 0;
}
