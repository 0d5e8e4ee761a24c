/* What the portable part wants of the hardware. Two sides implement it: avr/, which is the chip, and host/, which is a program for tests.
 * Unless it says otherwise, a function is for the main loop only.
 *
 * The portable part, from the bottom up: sensor (current, acknowledgement, overload), track (on and off, trains, what is between them),
 * gates, events (what the board says unasked), requests (what the host asks). link carries frames. Each has its map in its header. */
#ifndef HARDWARE_H
#define HARDWARE_H

#include <stdbool.h>
#include <stdint.h>

enum { PACKET_MIN = 3, PACKET_MAX = 6 }; /* bytes, check byte included (NMRA S-9.2.1, July 2012) */

struct packet {
	uint8_t preamble; /* ones before it */
	uint8_t length;
	uint8_t bytes[PACKET_MAX];
};

/* Halves of bits, in µs (NMRA S-9.1, 2020). */
enum { ONE_HALF = 58, ZERO_HALF = 100 };

/* Gives the rails power, or takes it away. Also for interrupts. */
void bridge_switch(bool on);

/* The signal: ones, until a packet is loaded and has its preamble. */
void signal_begin(void);                   /* ones, counted from here; a packet that is loaded or playing is forgotten */
void signal_load(const struct packet *p);  /* to be played as soon as so many ones have gone out behind the end bit before */
bool signal_withdraw(void);                /* unless one is playing, or has ended and nobody has asked: then it is false */
bool signal_ended(void);                   /* once for each packet, at its end bit */

/* The converters. Each sample of the current goes to sensor_sample, in an interrupt. */
enum { SAMPLE_MICROS = 52 };
uint16_t supply_counts(void); /* of 1024 for 5 V, of the supply over 4.9 */

/* Which gates are closed: bit 0 is gate 1. Where they have changed since the last call, how they were then, and when; else how they are. */
uint8_t gates_read(uint32_t *micros);

uint32_t clock_micros(void); /* wraps. Also for interrupts */

/* The serial line. Neither waits. */
int16_t serial_get(void);     /* -1 where there is no byte */
uint8_t serial_room(void);    /* how many bytes may be put */
void serial_put(uint8_t byte);

/* Around what is larger than a byte and changes in an interrupt: for a few µs, since the signal can't wait. */
uint8_t interrupts_hold(void);
void interrupts_release(uint8_t held);

#endif
