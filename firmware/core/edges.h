/* The comparator's edges: how many there were, and bursts of them. */
#ifndef EDGES_H
#define EDGES_H

#include <stdint.h>

/* Starts counting. Once, before all others. */
void edges_begin(void);

/* Begins a run: edges from before belong to no burst. */
void edges_begin_run(void);

/* Counts the edges since the last call, and reports a burst 20 ms after its last edge, by an event. To be called at least once a
 * millisecond; the more often, the better the end of a burst is known. */
void edges_step(void);

/* Returns the number of edges since this was last asked, at most 255. */
uint8_t edges_take_count(void);

#endif
