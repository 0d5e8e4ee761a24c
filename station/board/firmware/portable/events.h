/* What the board says unasked. An event is sent until the host has answered it, and only then the next one. Events are numbered on
 * their own; where edges at gates were too many to keep, a number is left out, so that the host sees it. */
#ifndef EVENTS_H
#define EVENTS_H

#include "frames.h"
#include "hardware.h"

void events_gate(uint8_t gate, bool closed, uint32_t micros);
void events_cut(const struct cut_event *e);
void events_answered(uint8_t type, uint8_t number); /* type without FRAME_ANSWER_BIT */
void events_poll(void);

#endif
