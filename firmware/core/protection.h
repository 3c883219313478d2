/* What opens everything without a command (PROTOCOL.md section 6). */
#ifndef PROTECTION_H
#define PROTECTION_H

#include <stdbool.h>
#include <stdint.h>

#include "rig.h"
#include "wire.h"

/* Starts with the default settings; after power-up also clears the latch and the kept cause. Once, after calibration_begin(). */
void protection_begin(void);

/* Opens everything if there is a cause. To be called at least once a millisecond. */
void protection_step(void);

/* Restarts the time of silence: a line without error was received. */
void protection_restart_silence(void);

/* Clears a trip if its cause is gone; otherwise it stays. */
void protection_clear(void);

/* Returns the cause of the last trip since power-up, or TRIP_NONE. It survives all other resets. */
enum trip_cause protection_get_cause(void);

/* Read and set one of the settings: the level in A, all others in s. To be set only within rig_limits. */
float protection_get_setting(enum rig_limit_place place);
void protection_set(enum rig_limit_place place, float value);
void protection_set_defaults(void);

/* Computes level and delay in counts and scans anew. To be called when the scales in force have changed. */
void protection_apply_scales(void);

#endif
