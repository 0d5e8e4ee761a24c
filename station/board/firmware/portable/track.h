/* The track: on and off, the packets of a train, and what is between trains.
 *
 * While the track is on there is always a packet loaded: the next of the train, or else a filler that waits behind so many ones that
 * a decoder in service mode stays there, and that a train which comes in time takes the place of. What is next is decided at each end bit,
 * in track_poll, while ones go out; so it has the length of a preamble for it. */
#ifndef TRACK_H
#define TRACK_H

#include "frames.h"
#include "hardware.h"

/* What no host can lift. NMRA S-9.2.3 (July 2012), section D, has 250 mA and 100 ms for a programming track; the rest is our own choice. */
enum { PROGRAMMING_LIMIT_MA = 250, RUNNING_LIMIT_MA = 900, LONGEST_ALLOWED_MS = 100 };

/* Ones before a packet: at least so many of each station (NMRA S-9.2, July 2004); and so few that packets with them before them start
 * less than 30 ms apart, the longest packet included, which takes 11 ms. */
enum { LEAST_PREAMBLE = 14, MOST_PREAMBLE = 150 };

/* Ones before a filler, 9 ms. A reset packet takes 5.5 ms more, so a decoder in service mode hears one every 15 ms; it leaves after 20
 * (S-9.2.3, section E). */
enum { FILLER_PREAMBLE = 78 };

uint8_t track_now(void);                            /* TRACK_... */
uint8_t track_cause(void);                          /* CAUSE_..., of an off track */
uint8_t track_on(const struct on_request *r);       /* 0, or the REASON_... for which nothing was done */
void track_off(uint8_t cause);                      /* does nothing to a track that is off */
bool track_cut(struct cut_event *e);                /* once after each time that the board turned it off by itself */

uint8_t track_play(const uint8_t *train, uint8_t length); /* a train's payload; 0, or the REASON_... for which nothing was done */
bool track_playing(void);                                 /* a train, which is not over */
bool track_over(struct train_answer *a);                  /* once for each train */

void track_poll(void);

#endif
