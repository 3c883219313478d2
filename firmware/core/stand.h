/* How the board stands: switches, and the rest of a header's state byte. */
#ifndef STAND_H
#define STAND_H

#include <stdbool.h>
#include <stdint.h>

#include "wire.h"

struct stand stand_now(void);

/* Whether any of these bits of the state is set. */
bool stand_is(uint8_t bits);

/* Whether the master switch or a load is closed. */
bool stand_is_closed(void);

/* The switches as events say them: loads, and bit 8 for the master switch. */
uint16_t stand_switches(void);

/* Changes switches and state at one instant; returns the clock of it. */
uint32_t stand_change(struct stand to);

/* Milliseconds (hal_milliseconds) at which the master switch was last closed. */
uint32_t stand_master_since(void);

/* Writes the switches once more now and then, so that a disturbed output heals. */
void stand_step(void);

#endif
