/* The board's state: its switches, and the rest of a header's state byte (struct board_state in wire.h). */
#ifndef STATE_H
#define STATE_H

#include <stdbool.h>
#include <stdint.h>

#include "wire.h"

/* Returns the state as it is now. */
struct board_state state_get(void);

/* Returns whether any of these STATE_ bits is set. */
bool state_has(uint8_t bits);

/* Returns whether the master switch or a load is closed. */
bool state_has_closed_switch(void);

/* Returns the switches as events name them: bit n-1 for load n, bit 8 for the master switch. */
uint16_t state_get_switches(void);

/* Changes switches and state at one instant. Returns the clock (hal_read_clock) of that instant. */
uint32_t state_change(struct board_state to);

/* Returns the milliseconds (hal_read_milliseconds) at which the master switch was last closed. */
uint32_t state_get_master_since_ms(void);

/* Writes the switches once more every 100 ms, so that a disturbed output heals. To be called at least that often. */
void state_refresh_outputs(void);

#endif
