#include "events.h"

#include "say.h"

/* How long an answer may take. Our own choice: many times what a frame takes both ways. */
#define ANSWER_MICROS 100000

enum { MOST_EDGES = 8 };

static struct gate_event edges[MOST_EDGES];
static uint8_t first, count;
static struct cut_event cut;
static bool cut_waits;

static uint8_t sent; /* the type of the event that waits for its answer, 0 where there is none */
static uint8_t sent_number;
static uint32_t sent_at;
static uint8_t next_number;

void events_gate(uint8_t gate, bool closed, uint32_t micros)
{
	if (count == MOST_EDGES) {
		next_number++;
		return;
	}
	edges[(first + count++) % MOST_EDGES] = (struct gate_event){ .gate = gate, .closed = closed, .clock_micros = micros };
}

void events_cut(const struct cut_event *e)
{
	cut = *e;
	cut_waits = true;
	if (sent == FRAME_CUT)
		sent = 0; /* it is another one, so it gets another number */
}

void events_answered(uint8_t type, uint8_t number)
{
	if (sent == 0 || type != sent || number != sent_number)
		return;
	if (sent == FRAME_CUT) {
		cut_waits = false;
	} else {
		first = (first + 1) % MOST_EDGES;
		count--;
	}
	sent = 0;
}

void events_poll(void)
{
	if (sent == 0) {
		if (!cut_waits && count == 0)
			return;
		sent = cut_waits ? FRAME_CUT : FRAME_GATE;
		sent_number = next_number++;
	} else if (clock_micros() - sent_at < ANSWER_MICROS) {
		return;
	}
	sent_at = clock_micros();
	if (sent == FRAME_CUT)
		say(sent, sent_number, &cut, sizeof cut);
	else
		say(sent, sent_number, &edges[first], sizeof edges[first]);
}
