/* The scales in force, built in or set by the host's calibration, and the serial number. They survive a reset once calibration_store() has
 * written them. */
#ifndef CALIBRATION_H
#define CALIBRATION_H

#include <stdbool.h>
#include <stdint.h>

#include "rig.h"

enum { SERIAL_LONGEST = 12 };

/* Loads what was stored, or else what is built in. Once, before all others. */
void calibration_begin(void);

/* Returns whether something was stored and its check is wrong: then the built-in scales are in force. */
bool calibration_is_damaged(void);

/* Writes the range at `place` of rig_ranges to *range, with the scales in force. */
void calibration_read_range(struct rig_range *range, uint8_t place);

/* Returns the clock's frequency in Hz. */
uint32_t calibration_get_clock_hz(void);

/* Returns the half-width of that frequency's error, relative. */
float calibration_get_clock_half_width(void);

/* Returns the day of the calibration as a number (20261125); 0 if there is none. */
uint32_t calibration_get_date(void);

/* Returns the serial number, at most SERIAL_LONGEST characters and a zero byte. It stays valid, and changes with the next set. */
const char *calibration_get_serial(void);

/* Return whether PROTOCOL.md section 8 allows these values: zero, scale and uncertainties of a range; frequency in Hz and its relative
 * half-width. The set functions below take only what these allow. */
bool calibration_accepts_range(const struct rig_range *range, uint8_t place);
bool calibration_accepts_clock(float hz, float half_width);

/* Put a value in force; nothing is stored yet. The serial has at most SERIAL_LONGEST characters. */
void calibration_set_range(const struct rig_range *range, uint8_t place);
void calibration_set_clock(float hz, float half_width);
void calibration_set_date(uint32_t date);
void calibration_set_serial(const char *serial, uint8_t length);

/* Puts built-in ranges, clock and no date in force; the serial number stays. */
void calibration_clear(void);

/* Stores all of it. Blocks for up to 1 s, and feeds the watchdog meanwhile. */
void calibration_store(void);

#endif
