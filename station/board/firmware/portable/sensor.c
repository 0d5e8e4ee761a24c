#include "sensor.h"

/* At 4 mV a mA, and 1024 counts for 5 V, a count is 3125 / 2560 mA. */
#define COUNTS(ma) ((uint16_t)((uint32_t)(ma) * 512 / 625))

/* How an acknowledgement is told from noise. A decoder has to draw at least 60 mA more for 5 to 7 ms (NMRA S-9.2.3, July 2012, section
 * D); how much of it is enough the host says. A pulse on dirty rails has gaps, and how long they may be is our own choice. */
enum { LONGEST_GAP = 2000 / SAMPLE_MICROS };

/* A short has to be there for so many samples in a row, about half a ms: our own choice. */
enum { SHORT_SAMPLES = 10 };

/* What the interrupt watches for. The main loop writes it while watching is false, the interrupt reads it while it is true. */
static volatile bool watching;
static uint16_t limit, allowed; /* counts, samples */
static uint16_t over;           /* samples in a row above limit */
static uint8_t shorted;         /* and above SHORT_MA */
static volatile uint8_t cut;    /* one byte, so never read by half */

/* Changed by each interrupt; the main loop reads them with interrupts held. */
static volatile uint16_t mean; /* in 1/16 of a count */
static volatile uint16_t highest;

/* What is heard during a train. The main loop sets task to DEAF before it reads or writes the others, and the interrupt leaves them alone
 * then; but acknowledged, which is one byte, may be read at any time. */
static volatile uint8_t task;
static volatile bool acknowledged;
static volatile uint32_t rest_sum;
static volatile uint16_t rest_samples;
static volatile uint16_t above, peak; /* samples, counts */
static volatile uint8_t gap;
static volatile bool ended;
static volatile uint16_t threshold; /* counts from 0 */
static uint16_t rise, enough;       /* counts above rest, samples: of the main loop, while nothing is watched */

static uint16_t tenths(uint16_t sixteenths)
{
	return (uint16_t)((uint32_t)sixteenths * 3125 / 4096);
}

static uint16_t held(const volatile uint16_t *value)
{
	uint8_t interrupts = interrupts_hold();
	uint16_t v = *value;
	interrupts_release(interrupts);
	return v;
}

void sensor_watch(const struct on_request *r)
{
	watching = false;
	task = DEAF;
	limit = COUNTS(r->limit_ma);
	allowed = (uint16_t)(r->allowed_ms * 1000UL / SAMPLE_MICROS);
	rise = (uint16_t)(((uint32_t)r->threshold_ma * 512 + 624) / 625);
	enough = (uint16_t)((r->enough_us + SAMPLE_MICROS - 1UL) / SAMPLE_MICROS);
	over = shorted = 0;
	cut = CAUSE_ASKED;
	uint8_t interrupts = interrupts_hold();
	highest = 0;
	interrupts_release(interrupts); /* which also keeps the compiler from moving what is above to below */
	watching = true;
}

void sensor_unwatch(void)
{
	watching = false;
}

uint8_t sensor_cut(void)
{
	return cut;
}

void sensor_begin(void)
{
	task = DEAF;
	acknowledged = ended = false;
	rest_sum = 0;
	rest_samples = above = peak = 0;
	gap = 0;
}

/* In 1/16 of a count; 0 where nothing was measured. Only while DEAF. */
static uint16_t rest(void)
{
	uint16_t samples = rest_samples;
	return samples ? (uint16_t)((rest_sum * 16 + samples / 2) / samples) : 0;
}

void sensor_do(enum task next)
{
	if (next == task)
		return;
	task = DEAF;
	if (next == LISTENING) {
		uint32_t level = (rest() + 8U) / 16 + (uint32_t)rise;
		threshold = level > UINT16_MAX ? UINT16_MAX : (uint16_t)level;
	}
	task = (uint8_t)next;
}

bool sensor_deaf(void)
{
	return task == DEAF;
}

bool sensor_acknowledged(void)
{
	return acknowledged;
}

void sensor_answer(struct train_answer *a)
{
	task = DEAF;
	uint16_t r = rest();
	a->rest_tenths = tenths(r);
	if (!acknowledged)
		return;
	a->flags |= FLAG_ACKNOWLEDGED;
	uint16_t p = (uint16_t)(peak * 16);
	a->height_tenths = p > r ? tenths(p - r) : 0;
	a->above_micros = above > UINT16_MAX / SAMPLE_MICROS ? UINT16_MAX : (uint16_t)(above * SAMPLE_MICROS);
}

uint16_t sensor_mean_tenths(void)
{
	return tenths(held(&mean));
}

uint16_t sensor_highest_tenths(void)
{
	return tenths((uint16_t)(held(&highest) * 16));
}

/* More than 250 mA for longer than 100 ms is a fault on a programming track (S-9.2.3, section D); the host may be stricter. Time below
 * the limit is taken off again and no more, so that an overload with short gaps, from wheels that have no contact, ends too. */
static void watch(uint16_t counts)
{
	if (counts > highest)
		highest = counts;
	if (counts > limit)
		over++;
	else if (over)
		over--;
	shorted = counts > COUNTS(SHORT_MA) ? shorted + 1 : 0;
	uint8_t cause = shorted >= SHORT_SAMPLES ? CAUSE_SHORT : over > allowed ? CAUSE_OVERLOAD : CAUSE_ASKED;
	if (cause != CAUSE_ASKED) {
		bridge_switch(false);
		watching = false;
		cut = cause;
	}
}

static void listen(uint16_t counts)
{
	if (ended)
		return;
	if (counts >= threshold) {
		gap = 0;
		if (counts > peak)
			peak = counts;
		if (above < UINT16_MAX)
			above++;
		if (above >= enough)
			acknowledged = true;
	} else if (gap < LONGEST_GAP) {
		gap++;
	} else if (acknowledged) {
		ended = true;
	} else {
		above = peak = 0;
	}
}

void sensor_sample(uint16_t counts)
{
	mean = mean - mean / 16 + counts;
	if (watching)
		watch(counts);
	if (task == LISTENING) {
		listen(counts);
	} else if (task == AT_REST && rest_samples < UINT16_MAX) {
		rest_sum += counts;
		rest_samples++;
	}
}
