/* Made from station/board/link/frames.go by `go generate ./station/board/link`: change it there. */
#ifndef FRAMES_H
#define FRAMES_H

#include <stdint.h>

#define LINK_BAUD 115200

#define LINK_VERSION 1

#define LINK_MAX_PAYLOAD 120

#define LINK_MAX_LINE 126

#define FRAME_HELLO 0x01 /* who is there? */
#define FRAME_STATE 0x02 /* how are you? Also a sign of life */
#define FRAME_OFF 0x03 /* turn the track off; a train that is playing ends */
#define FRAME_ON 0x04 /* turn the track on */
#define FRAME_TRAIN 0x05 /* play packets and listen; answered when all is played */
#define FRAME_GATE 0x20 /* event: a gate has changed */
#define FRAME_CUT 0x21 /* event: the board has turned the track off by itself */
#define FRAME_STARTED 0x22 /* event: the board's program has begun anew, with its track off */
#define FRAME_REFUSED 0x7F /* with AnswerBit: the board won't */
#define FRAME_ANSWER_BIT 0x80

struct hello_answer {
	uint8_t link; /* Version */
	uint16_t firmware; /* its version */
	uint8_t next; /* the number of the next On or Train that it does */
	uint8_t gates; /* how many gates it has */
	uint16_t programming_limit; /* the highest Limit of On for the programming track, in mA */
	uint16_t running_limit; /* and for running */
	uint16_t short_limit; /* the current in mA above which it cuts the track at once, whatever On says */
	uint16_t silence_ms; /* how long the host may be silent while the track is on */
	uint8_t max_train; /* the longest payload of a Train */
} __attribute__((packed));
_Static_assert(sizeof(struct hello_answer) == 14, "packed");

#define TRACK_OFF 0
#define TRACK_PROGRAMMING 1
#define TRACK_RUNNING 2

#define CAUSE_ASKED 0 /* the host wanted it, or it has not been on */
#define CAUSE_OVERLOAD 1 /* more than Limit for longer than On allows */
#define CAUSE_SHORT 2 /* more than ShortLimit */
#define CAUSE_SILENCE 3 /* of the host */

struct state_answer {
	uint8_t track;
	uint8_t cause; /* of an off track */
	uint16_t current_tenths; /* the mean of the last millisecond or so; 0 while off */
	uint16_t highest_tenths; /* since the track was last turned on */
	uint16_t supply_tenths; /* the supply in tenths of a volt */
	uint32_t clock_micros; /* the board's clock, which wraps */
	uint8_t gates; /* bit 0 is gate 1: 1 where it is closed */
} __attribute__((packed));
_Static_assert(sizeof(struct state_answer) == 13, "packed");

struct on_request {
	uint8_t track; /* TrackProgramming or TrackRunning */
	uint16_t limit_ma; /* at most what HelloAnswer says */
	uint8_t allowed_ms; /* how long the current may be above the limit, what it is below taken off again; at most 100 */
	uint16_t threshold_ma; /* how far above rest an acknowledgement is; on the programming track neither this nor the next is 0 */
	uint16_t enough_us; /* and for how long, in all */
} __attribute__((packed));
_Static_assert(sizeof(struct on_request) == 8, "packed");

struct train_request {
	uint8_t preamble; /* ones before each packet, 14 to 150: with more, packets might start 30 ms apart */
} __attribute__((packed));
_Static_assert(sizeof(struct train_request) == 1, "packed");

struct step_head {
	uint8_t head; /* bits 2-0: number of bytes, 3 to 6; bits 4-3: the Window; the rest is 0 */
	uint8_t times; /* how often it is sent where nothing has been acknowledged, 1 or more */
	uint8_t least; /* how often at least once an acknowledgement has been seen */
} __attribute__((packed));
_Static_assert(sizeof(struct step_head) == 3, "packed");

#define WINDOW_DEAF 0 /* what is heard is not the answer */
#define WINDOW_AFTER_SECOND 1 /* rest is measured during the first packet; listened from the end bit of the second */
#define WINDOW_LISTENING 2 /* listened all the time */
#define WINDOW_AT_REST 3 /* rest is measured all the time */

#define FLAG_WHOLE 1 /* all was played; else the track went off meanwhile, and State says why */
#define FLAG_ACKNOWLEDGED 2

struct train_answer {
	uint8_t flags;
	uint16_t rest_tenths; /* the mean current at rest; 0 where nothing was measured */
	uint16_t height_tenths; /* of the acknowledgement above rest, at most */
	uint16_t above_micros; /* how long the current stood above the threshold */
	uint32_t airtime_micros; /* from the first bit of the train to the end bit of its last packet */
} __attribute__((packed));
_Static_assert(sizeof(struct train_answer) == 11, "packed");

struct gate_event {
	uint8_t gate; /* from 1 */
	uint8_t closed; /* 1 where it closed: something stands in it */
	uint32_t clock_micros;
} __attribute__((packed));
_Static_assert(sizeof(struct gate_event) == 6, "packed");

struct cut_event {
	uint8_t cause;
	uint16_t highest_tenths;
} __attribute__((packed));
_Static_assert(sizeof(struct cut_event) == 3, "packed");

struct started_event {
	uint8_t watchdog; /* 1 where its watchdog has ended the program before */
} __attribute__((packed));
_Static_assert(sizeof(struct started_event) == 1, "packed");

#define REASON_MALFORMED 1 /* no such frame, or its payload is none */
#define REASON_NUMBER 2 /* not the next one */
#define REASON_TRACK_OFF 3
#define REASON_TRACK_ON 4 /* it is on already */
#define REASON_LIMIT 5 /* beyond what is built in */

struct refused_answer {
	uint8_t type;
	uint8_t reason;
	uint8_t next; /* as in HelloAnswer */
} __attribute__((packed));
_Static_assert(sizeof(struct refused_answer) == 3, "packed");

/* The lengths that a payload may have: { type, least, most }. */
#define FRAME_LENGTHS \
	{ 0x01, 0, 0 }, /* hello */ \
	{ 0x81, 14, 14 }, /* answer to hello */ \
	{ 0x02, 0, 0 }, /* state */ \
	{ 0x82, 13, 13 }, /* answer to state */ \
	{ 0x03, 0, 0 }, /* off */ \
	{ 0x83, 13, 13 }, /* answer to off */ \
	{ 0x04, 8, 8 }, /* on */ \
	{ 0x84, 13, 13 }, /* answer to on */ \
	{ 0x05, 7, 120 }, /* train */ \
	{ 0x85, 11, 11 }, /* answer to train */ \
	{ 0x20, 6, 6 }, /* gate */ \
	{ 0xA0, 0, 0 }, /* answer to gate */ \
	{ 0x21, 3, 3 }, /* cut */ \
	{ 0xA1, 0, 0 }, /* answer to cut */ \
	{ 0x22, 1, 1 }, /* started */ \
	{ 0xFF, 3, 3 }, /* refused */

#endif
