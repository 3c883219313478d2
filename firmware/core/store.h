/* A record in memory that survives power-down: two copies written in turn, each with a counter and a CRC, so that a cut of power loses
 * at most the one being written. */
#ifndef STORE_H
#define STORE_H

#include <stdbool.h>
#include <stdint.h>

enum store_state { STORE_EMPTY, STORE_GOOD, STORE_DAMAGED };

/* Reads the newest good copy. Unless STORE_GOOD is returned, record is left as it was. */
enum store_state store_load(void *record, uint16_t length);

/* Writes over the older copy; blocks for 3.4 ms a byte. */
void store_save(const void *record, uint16_t length);

#endif
