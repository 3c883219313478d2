/* The time base: which sample belongs to which reading of the clock. The converter takes a sample every so many clocks, exactly, so one
 * pair of clock and stamp, the anchor, dates all others. */
#ifndef TIMEBASE_H
#define TIMEBASE_H

#include <stdbool.h>
#include <stdint.h>

#include "wire.h"

/* The stamp of every run's first sample: 0, except in tests of the wrap, which set it in memory. */
extern uint32_t timebase_first_stamp;

/* Starts converter and scan plan in the mode that `state` names, and makes `state` the board's. Stamps begin at timebase_first_stamp. */
void timebase_start(struct board_state state);

/* Ends sampling and makes `state` the board's. Only while sampling. Returns the moment of the end: the stamp of the first sample that was
 * not taken, and no ticks. */
struct moment timebase_stop(struct board_state state);

/* Returns the moment of a clock reading (hal_read_clock) of the last second: samples of the run, and clocks since the last one. 0 and 0
 * while no run is on. */
struct moment timebase_get_moment(uint32_t clock);

/* Compares the clock with the samples taken. Returns true if every conversion up to now was taken, so that full frames hold what their
 * stamps say. Otherwise gives up all full frames but the oldest `kept`; the next frame is in step again. */
bool timebase_keep_step(uint8_t kept);

/* Moves the anchor on, and keeps step while no run is on. To be called at least once a second. */
void timebase_step(void);

#endif
