/* What opens everything without being told (PROTOCOL.md section 6). */
#ifndef PROTECTION_H
#define PROTECTION_H

#include <stdbool.h>
#include <stdint.h>

#include "rig.h"
#include "wire.h"

void protection_begin(void);

/* Opens everything if there is a cause; to be called at least once a millisecond. */
void protection_step(void);

/* A line without error was received. */
void protection_hear(void);

/* Clears a trip if its cause is gone. */
void protection_clear(void);

/* The last trip's cause, since power-up. */
enum trip_cause protection_cause(void);

/* The settings, whose limits are rig_limits. */
float protection_setting(enum rig_limit_place place);
void protection_set(enum rig_limit_place place, float value);
void protection_set_defaults(void);

/* The scales in force have changed. */
void protection_follow_scales(void);

#endif
