/* The comparator: how often it changes, and bursts of changes. */
#ifndef EDGES_H
#define EDGES_H

#include <stdint.h>

void edges_begin(void);

/* What changed before belongs to no burst. */
void edges_begin_run(void);

/* Counts what has changed; to be called at least once a millisecond. The end of a burst is known the better the more often. */
void edges_step(void);

/* Changes since this was last asked, at most 255. */
uint8_t edges_take(void);

#endif
