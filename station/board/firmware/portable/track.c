#include "track.h"

#include <string.h>

#include "sensor.h"

static uint8_t now, cause;
static bool cut; /* by the board, and not told yet */

static struct {
	uint8_t payload[LINK_MAX_PAYLOAD];
	uint8_t length;
	uint8_t at;   /* where the step at hand begins in the payload */
	uint8_t sent; /* how often its packet has been */
	bool playing, over;
	bool loaded; /* the packet that the signal has is the train's, no filler */
	struct train_answer answer;
} train;

uint8_t track_now(void)
{
	return now;
}

uint8_t track_cause(void)
{
	return cause;
}

/* The head of the step that begins at a place of a train, and where its packet is. */
static struct step_head step_at(const uint8_t *payload, uint8_t at)
{
	struct step_head step;
	memcpy(&step, payload + at, sizeof step);
	return step;
}

static uint8_t bytes_of(struct step_head step)
{
	return step.head & 7;
}

static bool step_is_right(struct step_head step, const uint8_t *packet, uint8_t room)
{
	uint8_t length = bytes_of(step);
	if (step.head >> 5 != 0 || step.times == 0 || length < PACKET_MIN || length > PACKET_MAX || length > room)
		return false;
	uint8_t check = 0; /* the last byte is the exclusive or of those before it (NMRA S-9.2, July 2004) */
	while (length > 0)
		check ^= packet[--length];
	return check == 0;
}

static uint8_t why_not(const uint8_t *payload, uint8_t length)
{
	uint8_t at = sizeof(struct train_request);
	if (length < at + sizeof(struct step_head) + PACKET_MIN || length > LINK_MAX_PAYLOAD || payload[0] < LEAST_PREAMBLE)
		return REASON_MALFORMED;
	while (at < length) {
		uint8_t room = length - at;
		if (room < sizeof(struct step_head))
			return REASON_MALFORMED;
		struct step_head step = step_at(payload, at);
		at += sizeof step;
		if (!step_is_right(step, payload + at, room - sizeof step))
			return REASON_MALFORMED;
		at += bytes_of(step);
	}
	if (payload[0] > MOST_PREAMBLE)
		return REASON_LIMIT;
	return now == TRACK_OFF ? REASON_TRACK_OFF : 0;
}

static void end_train(uint8_t flags)
{
	train.playing = false;
	train.over = true;
	train.answer.flags = flags;
	sensor_answer(&train.answer);
}

/* What to listen for while the packet is played that is the nth of its step, from 0. */
static enum task task_during(uint8_t window, uint8_t n)
{
	switch (window) {
	case WINDOW_AT_REST:
		return AT_REST;
	case WINDOW_LISTENING:
		return LISTENING;
	case WINDOW_AFTER_SECOND:
		return n == 0 ? AT_REST : n == 1 ? DEAF : LISTENING;
	}
	return DEAF;
}

/* Loads the train's next packet. As soon as an acknowledgement has been seen, in the step that it falls in and in all that follow, least
 * takes the place of times (NMRA S-9.2.3, July 2012, section E). False where there is none. */
static bool load_step(void)
{
	while (train.at < train.length) {
		struct step_head step = step_at(train.payload, train.at);
		if (train.sent < step.times && (train.sent < step.least || !sensor_acknowledged())) {
			struct packet p = { .preamble = train.payload[0], .length = bytes_of(step) };
			memcpy(p.bytes, train.payload + train.at + sizeof step, p.length);
			sensor_do(task_during(step.head >> 3 & 3, train.sent));
			signal_load(&p);
			return true;
		}
		train.at += sizeof step + bytes_of(step);
		train.sent = 0;
	}
	return false;
}

static void load_filler(void)
{
	struct packet p = { .preamble = FILLER_PREAMBLE, .length = 3 }; /* a reset packet */
	if (now == TRACK_RUNNING)
		p.bytes[0] = p.bytes[2] = 0xFF; /* an idle packet */
	sensor_do(DEAF);
	signal_load(&p);
}

static void load(void)
{
	train.loaded = train.playing && load_step();
	if (train.loaded)
		return;
	if (train.playing)
		end_train(FLAG_WHOLE);
	load_filler();
}

/* How long a packet is on the track, its preamble included, be it that its first ones went out before it was asked for. */
static uint16_t airtime(uint8_t preamble, const uint8_t *bytes, uint8_t length)
{
	uint16_t micros = (preamble + 1) * (2 * ONE_HALF);
	for (uint8_t i = 0; i < length; i++) {
		micros += 2 * ZERO_HALF;
		for (uint8_t bit = 0x80; bit != 0; bit >>= 1)
			micros += bytes[i] & bit ? 2 * ONE_HALF : 2 * ZERO_HALF;
	}
	return micros;
}

static void step_sent(void)
{
	struct step_head step = step_at(train.payload, train.at);
	train.answer.airtime_micros += airtime(train.payload[0], train.payload + train.at + sizeof step, bytes_of(step));
	train.sent++;
}

uint8_t track_on(const struct on_request *r)
{
	if (r->track != TRACK_PROGRAMMING && r->track != TRACK_RUNNING)
		return REASON_MALFORMED;
	if (r->track == TRACK_PROGRAMMING && (r->threshold_ma == 0 || r->enough_us == 0))
		return REASON_MALFORMED; /* anything would be an acknowledgement */
	if (r->limit_ma > (r->track == TRACK_PROGRAMMING ? PROGRAMMING_LIMIT_MA : RUNNING_LIMIT_MA) || r->allowed_ms > LONGEST_ALLOWED_MS)
		return REASON_LIMIT;
	if (now != TRACK_OFF)
		return REASON_TRACK_ON;
	now = r->track;
	cause = CAUSE_ASKED;
	sensor_watch(r);
	bridge_switch(true);
	signal_begin();
	load();
	return 0;
}

void track_off(uint8_t why)
{
	bridge_switch(false);
	if (now == TRACK_OFF)
		return;
	now = TRACK_OFF;
	cause = why;
	cut = why != CAUSE_ASKED;
	sensor_unwatch();
	signal_begin();
	if (train.playing)
		end_train(0);
	train.loaded = false;
}

bool track_cut(struct cut_event *e)
{
	if (!cut)
		return false;
	cut = false;
	e->cause = cause;
	e->highest_tenths = sensor_highest_tenths();
	return true;
}

uint8_t track_play(const uint8_t *payload, uint8_t length)
{
	uint8_t reason = why_not(payload, length);
	if (reason != 0)
		return reason;
	memcpy(train.payload, payload, length);
	train.length = length;
	train.at = sizeof(struct train_request);
	train.sent = 0;
	train.playing = true;
	train.over = false;
	train.answer = (struct train_answer){ 0 };
	sensor_begin();
	if (signal_withdraw())
		load(); /* else track_poll does, behind the filler that is playing */
	return 0;
}

bool track_playing(void)
{
	return train.playing;
}

bool track_over(struct train_answer *a)
{
	if (!train.over)
		return false;
	train.over = false;
	*a = train.answer;
	return true;
}

void track_poll(void)
{
	if (now != TRACK_OFF && sensor_cut() != CAUSE_ASKED)
		track_off(sensor_cut());
	if (!signal_ended())
		return;
	if (train.loaded)
		step_sent();
	load();
}
