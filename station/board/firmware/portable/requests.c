#include "requests.h"

#include <string.h>

#include "events.h"
#include "gates.h"
#include "say.h"
#include "sensor.h"
#include "track.h"

enum { FIRMWARE_VERSION = 1 };

/* How long the host may be silent while the track is on. */
enum { SILENCE_MS = 1000 };

/* Bytes that are taken off the line at once, so that a host which never pauses does not keep the board from its track. */
enum { BYTES_AT_ONCE = 16 };

static struct link_reader reader;
static uint32_t heard; /* when the host's last frame came */

/* The number of the next request that is done once only, and the last one that was: its type, 0 where there was none, and its answer. */
static uint8_t next;
static struct {
	uint8_t type, length;
	union {
		struct state_answer state;
		struct train_answer train;
	} answer;
} last;

static uint8_t last_number(void)
{
	return (uint8_t)(next - 1);
}

static void answer_last(void)
{
	say(last.type | FRAME_ANSWER_BIT, last_number(), &last.answer, last.length);
}

static void hello(uint8_t number)
{
	const struct hello_answer a = {
		.link = LINK_VERSION,
		.firmware = FIRMWARE_VERSION,
		.next = next,
		.gates = GATES,
		.programming_limit = PROGRAMMING_LIMIT_MA,
		.running_limit = RUNNING_LIMIT_MA,
		.short_limit = SHORT_MA,
		.silence_ms = SILENCE_MS,
		.max_train = LINK_MAX_PAYLOAD,
	};
	say(FRAME_HELLO | FRAME_ANSWER_BIT, number, &a, sizeof a);
}

static struct state_answer state(void)
{
	bool on = track_now() != TRACK_OFF;
	return (struct state_answer){
		.track = track_now(),
		.cause = on ? CAUSE_ASKED : track_cause(),
		.current_tenths = on ? sensor_mean_tenths() : 0,
		.highest_tenths = sensor_highest_tenths(),
		.supply_tenths = (uint16_t)((uint32_t)supply_counts() * 245 / 1024), /* 5 V for 1024 counts, of the supply over 4.9 */
		.clock_micros = clock_micros(),
		.gates = gates_now(),
	};
}

static void answer_state(const struct frame *f)
{
	struct state_answer s = state();
	say(f->type | FRAME_ANSWER_BIT, f->number, &s, sizeof s);
}

static void refuse(const struct frame *f, uint8_t reason)
{
	const struct refused_answer a = { .type = f->type, .reason = reason, .next = next };
	say(FRAME_REFUSED | FRAME_ANSWER_BIT, f->number, &a, sizeof a);
}

/* Says the answer of a train that is over. */
static void train_over(void)
{
	if (track_over(&last.answer.train)) {
		last.length = sizeof last.answer.train;
		answer_last();
	}
}

static void off(const struct frame *f)
{
	track_off(CAUSE_ASKED);
	train_over();
	answer_state(f);
}

/* On or train. Nothing of it is done unless all of it is right; what is refused does not take up its number. */
static void once(const struct frame *f)
{
	if (f->number == last_number() && f->type == last.type) {
		if (!track_playing()) /* else it is the one that is being done: the answer comes when it is over */
			answer_last();
		return;
	}
	if (f->number != next || track_playing()) {
		refuse(f, REASON_NUMBER);
		return;
	}
	uint8_t reason;
	if (f->type == FRAME_ON) {
		struct on_request r;
		memcpy(&r, f->payload, sizeof r);
		reason = track_on(&r);
	} else {
		reason = track_play(f->payload, f->length);
	}
	if (reason != 0) {
		refuse(f, reason);
		return;
	}
	last.type = f->type;
	next++;
	if (f->type == FRAME_ON) {
		last.answer.state = state();
		last.length = sizeof last.answer.state;
		answer_last();
	}
}

/* link_take has found that the frame is as long as one of its type. */
static void take(const struct frame *f)
{
	switch (f->type) {
	case FRAME_HELLO:
		hello(f->number);
		break;
	case FRAME_STATE:
		answer_state(f);
		break;
	case FRAME_OFF:
		off(f);
		break;
	case FRAME_ON:
	case FRAME_TRAIN:
		once(f);
		break;
	case FRAME_GATE | FRAME_ANSWER_BIT:
	case FRAME_CUT | FRAME_ANSWER_BIT:
		events_answered(f->type & (uint8_t)~FRAME_ANSWER_BIT, f->number);
		break;
	default: /* only a board says it: an echo, which is no sign of life */
		return;
	}
	heard = clock_micros();
}

void requests_start(bool watchdog)
{
	gates_start();
	const struct started_event e = { .watchdog = watchdog };
	say(FRAME_STARTED, 0, &e, sizeof e);
}

void requests_poll(void)
{
	track_poll();
	if (track_now() != TRACK_OFF && clock_micros() - heard > SILENCE_MS * 1000UL)
		track_off(CAUSE_SILENCE);
	train_over();
	struct cut_event e;
	if (track_cut(&e))
		events_cut(&e);

	struct frame *f;
	int16_t byte;
	for (uint8_t n = 0; n < BYTES_AT_ONCE && (byte = serial_get()) >= 0; n++) {
		if (link_take(&reader, (uint8_t)byte, &f)) {
			take(f);
			break;
		}
	}
	gates_poll();
	events_poll();
}
