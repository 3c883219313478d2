/* A record in memory that survives power-down: two copies, written in turn, each with a counter and a CRC, so that a cut of power loses at
 * most the one being written. */
#ifndef STORE_H
#define STORE_H

#include <stdbool.h>
#include <stdint.h>

enum store_state { STORE_EMPTY, STORE_GOOD, STORE_DAMAGED };

/* Reads the newest good copy to `record` and returns STORE_GOOD. Otherwise leaves `record` as it is: STORE_EMPTY if nothing was ever
 * written, STORE_DAMAGED if no copy is good. */
enum store_state store_load(void *record, uint16_t length);

/* Writes `length` bytes, at most 508, over the older copy. Blocks for 3.4 ms for each byte that changes, and feeds the watchdog. */
void store_save(const void *record, uint16_t length);

#endif
