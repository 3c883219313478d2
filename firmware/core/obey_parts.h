/* The commands by subject: each does what its line of obey.c says, or returns the error that forbids it, and then nothing has changed. */
#ifndef OBEY_PARTS_H
#define OBEY_PARTS_H

#include <stdbool.h>
#include <stdint.h>

#include "command.h"

/* Every one of these has the form that the table wants, whether it looks at its parameters or not. */
#define UNUSED(values) ((void)(values))

/* obey_status.c */
int16_t obey_identify(const union value *values);
int16_t obey_clear_status(const union value *values);
int16_t obey_test(const union value *values);
int16_t obey_take_event(const union value *values);
int16_t obey_set_event_enable(const union value *values);
int16_t obey_event_enable(const union value *values);
int16_t obey_set_service_enable(const union value *values);
int16_t obey_service_enable(const union value *values);
int16_t obey_status_byte(const union value *values);
int16_t obey_complete(const union value *values);
int16_t obey_is_complete(const union value *values);
int16_t obey_nothing(const union value *values);
int16_t obey_error(const union value *values);
int16_t obey_error_count(const union value *values);
int16_t obey_version(const union value *values);
int16_t obey_description_lines(const union value *values);
int16_t obey_description_line(const union value *values);
int16_t obey_description_check(const union value *values);
int16_t obey_cause(const union value *values);
int16_t obey_stamp(const union value *values);

/* obey_switches.c */
int16_t obey_set_master(const union value *values);
int16_t obey_master(const union value *values);
int16_t obey_clear_trip(const union value *values);
int16_t obey_set_time(const union value *values);
int16_t obey_time(const union value *values);
int16_t obey_set_silence(const union value *values);
int16_t obey_silence(const union value *values);
int16_t obey_set_level(const union value *values);
int16_t obey_level(const union value *values);
int16_t obey_set_delay(const union value *values);
int16_t obey_delay(const union value *values);
int16_t obey_tripped(const union value *values);
int16_t obey_close(const union value *values);
int16_t obey_closed(const union value *values);
int16_t obey_open(const union value *values);
int16_t obey_open_all(const union value *values);

/* obey_sampling.c */
int16_t obey_set_mode(const union value *values);
int16_t obey_mode(const union value *values);
int16_t obey_set_range(const union value *values);
int16_t obey_range(const union value *values);
int16_t obey_initiate(const union value *values);
int16_t obey_abort(const union value *values);

/* obey_calibration.c */
int16_t obey_calibrate_range(const union value *values);
int16_t obey_calibrate_clock(const union value *values);
int16_t obey_set_serial(const union value *values);
int16_t obey_set_date(const union value *values);
int16_t obey_date(const union value *values);
int16_t obey_store(const union value *values);
int16_t obey_clear_calibration(const union value *values);

/* What *RST changes too. */
void obey_change_switches(bool master, uint8_t loads);
void obey_change_mode(bool is_precise);
void obey_change_range(uint8_t number);

#endif
