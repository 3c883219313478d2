/* A run of sampling, and the time that it counts. */
#ifndef RUN_H
#define RUN_H

#include <stdbool.h>
#include <stdint.h>

#include "wire.h"

/* The stamp of every run's first sample: 0, but for tests of the wrap, which set it in memory. */
extern uint32_t run_first_stamp;

/* Starts the converter, and after that whenever the mode changes; the state says which. No run begins. */
void run_watch(void);

/* Begins the next run. */
void run_start(void);

/* Ends the run, if there is one; an event says so. */
void run_stop(void);

/* The moment of a clock reading (hal_clock) of the last second; 0 and 0 while no run is on. */
struct moment run_moment(uint32_t clock);

/* Whether every conversion up to now was taken, so that the full frames hold what their stamps say. Where one was missed, all full
 * frames but the oldest `kept` are given up, and the next one comes in step again. */
bool run_is_in_step(uint8_t kept);

/* To be called at least once a second. */
void run_step(void);

#endif
