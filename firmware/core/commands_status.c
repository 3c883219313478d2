/* IEEE 488.2 and SYSTem: the board's identity, description, status and errors. */
#include <string.h>

#include "calibration.h"
#include "commands_by_subject.h"
#include "description.h"
#include "hal.h"
#include "long_query.h"
#include "protection.h"
#include "reply.h"
#include "rig.h"
#include "state.h"
#include "status.h"
#include "timebase.h"

static const ROM char identity_begin[] = "makebreak," RIG_MODEL ",";
static const ROM char identity_end[] = "," RIG_FIRMWARE;
static const ROM char version[] = "1999.0";
static const ROM char trip_words[][5] = {"NONE", "CURR", "LATC", "SIL", "TIME", "SUPP"};
static const ROM char reset_words[][5] = {"NONE", "POW", "BROW", "WATC", "EXT"};

int16_t commands_identify(const union value *values)
{
    UNUSED(values);
    reply_add_words(identity_begin);
    reply_add_text(calibration_get_serial(), (uint8_t)strlen(calibration_get_serial()));
    return reply_answer_words(identity_end);
}

int16_t commands_clear_status(const union value *values)
{
    UNUSED(values);
    status_clear();
    return 0;
}

int16_t commands_test(const union value *values)
{
    UNUSED(values);
    if (state_has(STATE_SAMPLING)) {
        return ERROR_CONFLICT;
    }
    long_query_begin_selftest();
    return 0;
}

int16_t commands_query_event(const union value *values)
{
    UNUSED(values);
    return reply_answer(status_take_event());
}

int16_t commands_set_event_enable(const union value *values)
{
    if (values[0].whole < 0 || values[0].whole > UINT8_MAX) {
        return ERROR_RANGE;
    }
    status_set_event_enable((uint8_t)values[0].whole);
    return 0;
}

int16_t commands_query_event_enable(const union value *values)
{
    UNUSED(values);
    return reply_answer(status_get_event_enable());
}

int16_t commands_set_service_enable(const union value *values)
{
    if (values[0].whole < 0 || values[0].whole > UINT8_MAX) {
        return ERROR_RANGE;
    }
    status_set_service_enable((uint8_t)values[0].whole);
    return 0;
}

int16_t commands_query_service_enable(const union value *values)
{
    UNUSED(values);
    return reply_answer(status_get_service_enable());
}

int16_t commands_query_status_byte(const union value *values)
{
    UNUSED(values);
    return reply_answer(status_get_byte());
}

int16_t commands_set_complete(const union value *values)
{
    UNUSED(values);
    status_set_event(STATUS_OPERATION_COMPLETE);
    return 0;
}

int16_t commands_query_complete(const union value *values)
{
    UNUSED(values);
    return reply_answer(1);
}

int16_t commands_do_nothing(const union value *values)
{
    UNUSED(values);
    return 0;
}

int16_t commands_query_error(const union value *values)
{
    UNUSED(values);
    int16_t error = status_take_error();
    if (error < 0) {
        reply_add('-');
    }
    reply_add_whole((uint32_t)-error);
    reply_add(',');
    reply_add('"');
    reply_add_words(status_get_text(error));
    reply_add('"');
    reply_finish();
    return 0;
}

int16_t commands_query_error_count(const union value *values)
{
    UNUSED(values);
    return reply_answer(status_count_errors());
}

int16_t commands_query_version(const union value *values)
{
    UNUSED(values);
    return reply_answer_words(version);
}

int16_t commands_query_description_lines(const union value *values)
{
    UNUSED(values);
    return reply_answer(description_count_lines());
}

int16_t commands_query_description_line(const union value *values)
{
    if (values[0].whole < 1 || values[0].whole > description_count_lines()) {
        return ERROR_RANGE;
    }
    long_query_begin_line((uint8_t)values[0].whole);
    return 0;
}

int16_t commands_query_description_check(const union value *values)
{
    UNUSED(values);
    long_query_begin_check();
    return 0;
}

int16_t commands_query_cause(const union value *values)
{
    UNUSED(values);
    reply_add_words(trip_words[protection_get_cause()]);
    reply_add(',');
    return reply_answer_words(reset_words[hal_get_reset_cause()]);
}

int16_t commands_query_stamp(const union value *values)
{
    UNUSED(values);
    struct moment now = timebase_get_moment(hal_read_clock());
    reply_add_whole(now.stamp);
    reply_add(',');
    return reply_answer(now.ticks);
}
