/* The scales in force: those built in, or what the host's calibration has set; and the serial number. Kept over resets by
 * calibration_store(). */
#ifndef CALIBRATION_H
#define CALIBRATION_H

#include <stdbool.h>
#include <stdint.h>

#include "rig.h"

enum { SERIAL_LONGEST = 12 };

/* What was stored, or what is built in. */
void calibration_begin(void);

/* Whether something was stored whose check is wrong. */
bool calibration_is_damaged(void);

/* A range as it is in force; place in rig_ranges. */
void calibration_read_range(struct rig_range *range, uint8_t place);
uint32_t calibration_clock_hz(void);
float calibration_clock_half_width(void);

/* Day of the calibration, 20261125; 0 for none. */
uint32_t calibration_date(void);

/* Ends with a zero byte. */
const char *calibration_serial(void);

/* False, and nothing is changed, for values that PROTOCOL.md section 8 does not allow. */
bool calibration_range_is_good(const struct rig_range *range, uint8_t place);
void calibration_set_range(const struct rig_range *range, uint8_t place);
bool calibration_clock_is_good(float hz, float half_width);
void calibration_set_clock(float hz, float half_width);
void calibration_set_date(uint32_t date);
void calibration_set_serial(const char *serial, uint8_t length);

/* Ranges, clock and date as built in; not the serial number. */
void calibration_clear(void);

/* Blocks for up to a second. */
void calibration_store(void);

#endif
