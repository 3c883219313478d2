/* The commands by subject: each executes its line of commands.c and returns 0, or returns the
 * error (enum error) that forbids it, and then nothing has changed. `values` holds as many parameters, of the kinds, as that line says. */
#ifndef COMMANDS_BY_SUBJECT_H
#define COMMANDS_BY_SUBJECT_H

#include <stdbool.h>
#include <stdint.h>

#include "parser.h"

/* For a command that has no parameters, since all have the one form that the table wants. */
#define UNUSED(values) ((void)(values))

/* commands_status.c */
int16_t commands_identify(const union value *values);
int16_t commands_clear_status(const union value *values);
int16_t commands_test(const union value *values);
int16_t commands_query_event(const union value *values);
int16_t commands_set_event_enable(const union value *values);
int16_t commands_query_event_enable(const union value *values);
int16_t commands_set_service_enable(const union value *values);
int16_t commands_query_service_enable(const union value *values);
int16_t commands_query_status_byte(const union value *values);
int16_t commands_set_complete(const union value *values);
int16_t commands_query_complete(const union value *values);
int16_t commands_do_nothing(const union value *values);
int16_t commands_query_error(const union value *values);
int16_t commands_query_error_count(const union value *values);
int16_t commands_query_version(const union value *values);
int16_t commands_query_description_lines(const union value *values);
int16_t commands_query_description_line(const union value *values);
int16_t commands_query_description_check(const union value *values);
int16_t commands_query_cause(const union value *values);
int16_t commands_query_stamp(const union value *values);

/* commands_switches.c */
int16_t commands_set_master(const union value *values);
int16_t commands_query_master(const union value *values);
int16_t commands_clear_trip(const union value *values);
int16_t commands_set_time(const union value *values);
int16_t commands_query_time(const union value *values);
int16_t commands_set_silence(const union value *values);
int16_t commands_query_silence(const union value *values);
int16_t commands_set_level(const union value *values);
int16_t commands_query_level(const union value *values);
int16_t commands_set_delay(const union value *values);
int16_t commands_query_delay(const union value *values);
int16_t commands_query_tripped(const union value *values);
int16_t commands_close_loads(const union value *values);
int16_t commands_query_loads(const union value *values);
int16_t commands_open_loads(const union value *values);
int16_t commands_open_all_loads(const union value *values);

/* commands_sampling.c */
int16_t commands_set_mode(const union value *values);
int16_t commands_query_mode(const union value *values);
int16_t commands_set_range(const union value *values);
int16_t commands_query_range(const union value *values);
int16_t commands_start_run(const union value *values);
int16_t commands_stop_run(const union value *values);

/* commands_calibration.c */
int16_t commands_calibrate_range(const union value *values);
int16_t commands_calibrate_clock(const union value *values);
int16_t commands_set_serial(const union value *values);
int16_t commands_set_date(const union value *values);
int16_t commands_query_date(const union value *values);
int16_t commands_store_calibration(const union value *values);
int16_t commands_clear_calibration(const union value *values);

/* What *RST changes too: close exactly these switches (bit n-1 for load n), with an event if that is a change; choose the mode, while no
 * run is on; choose voltage range 0 or 1. */
void commands_change_switches(bool master, uint8_t loads);
void commands_change_mode(bool is_precise);
void commands_change_range(uint8_t number);

#endif
