/* The track's current: what a decoder acknowledges with, and what is too much.
 *
 * sensor_sample runs in the converter's interrupt and turns the track off by itself, so that no main loop can be too late for it. The rest
 * belongs to the main loop, and changes nothing that the interrupt is using: sensor.c says of each variable how it is guarded. */
#ifndef SENSOR_H
#define SENSOR_H

#include "frames.h"
#include "hardware.h"

/* The current above which the track goes off whatever the host allows. */
enum { SHORT_MA = 1000 };

enum task { DEAF, AT_REST, LISTENING };

void sensor_watch(const struct on_request *r); /* from now on, for what r has; before the track is turned on */
void sensor_unwatch(void);                     /* the track is off */
uint8_t sensor_cut(void);                      /* why the sensor has turned the track off, CAUSE_ASKED where it has not */

void sensor_begin(void);                          /* a train: forgets the one before */
void sensor_do(enum task task);                   /* from now on */
bool sensor_deaf(void);                           /* nobody listens. Also for interrupts */
bool sensor_acknowledged(void);                   /* in this train */
void sensor_answer(struct train_answer *a);       /* what was heard in this train, which is over */

uint16_t sensor_mean_tenths(void);    /* of a mA, over the last 16 samples */
uint16_t sensor_highest_tenths(void); /* since sensor_watch */

void sensor_sample(uint16_t counts); /* in the converter's interrupt, each SAMPLE_MICROS: 1024 counts are 1250 mA */

#endif
