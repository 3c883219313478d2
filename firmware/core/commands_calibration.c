/* CALibration: ranges, clock, serial number and day of the description. */
#include <string.h>

#include "calibration.h"
#include "commands_by_subject.h"
#include "protection.h"
#include "reply.h"
#include "rig.h"
#include "state.h"
#include "status.h"

static bool is_busy(void)
{
    return state_has(STATE_SAMPLING) || state_has_closed_switch();
}

static bool names_channel(struct words name, uint8_t channel)
{
    const ROM char *wanted = rig_channels[channel].name;
    uint8_t k = 0;
    while (k < name.length && name.text[k] == wanted[k]) {
        k++;
    }
    return k == name.length && wanted[k] == '\0';
}

/* Returns the place of the range of this channel and number in rig_ranges, or RIG_RANGES. */
static uint8_t find_range(struct words channel, int32_t number)
{
    uint8_t place = 0;
    while (place < RIG_RANGES && !(names_channel(channel, rig_ranges[place].channel) && rig_ranges[place].number == number)) {
        place++;
    }
    return place;
}

int16_t commands_calibrate_range(const union value *values)
{
    uint8_t place = find_range(values[0].name, values[1].whole);
    struct rig_range range;
    range.zero = values[2].number;
    range.scale = values[3].number;
    range.u_scale = values[4].number;
    range.u_zero = values[5].number;
    range.u_line = values[6].number;
    if (place == RIG_RANGES || !calibration_accepts_range(&range, place)) {
        return ERROR_RANGE;
    }
    if (is_busy()) {
        return ERROR_CONFLICT;
    }
    calibration_set_range(&range, place);
    protection_apply_scales();
    return 0;
}

int16_t commands_calibrate_clock(const union value *values)
{
    if (!calibration_accepts_clock(values[0].number, values[1].number)) {
        return ERROR_RANGE;
    }
    if (is_busy()) {
        return ERROR_CONFLICT;
    }
    calibration_set_clock(values[0].number, values[1].number);
    protection_apply_scales();
    return 0;
}

int16_t commands_set_serial(const union value *values)
{
    struct words serial = values[0].name;
    if (serial.length > SERIAL_LONGEST || memchr(serial.text, '_', serial.length) != NULL
        || memchr(serial.text, '-', serial.length) != NULL) {
        return ERROR_RANGE;
    }
    if (is_busy()) {
        return ERROR_CONFLICT;
    }
    calibration_set_serial(serial.text, serial.length);
    return 0;
}

int16_t commands_set_date(const union value *values)
{
    if (values[0].whole < 0 || values[0].whole > 99991231) {
        return ERROR_RANGE;
    }
    if (is_busy()) {
        return ERROR_CONFLICT;
    }
    calibration_set_date((uint32_t)values[0].whole);
    return 0;
}

int16_t commands_query_date(const union value *values)
{
    UNUSED(values);
    return reply_answer(calibration_get_date());
}

int16_t commands_store_calibration(const union value *values)
{
    UNUSED(values);
    if (is_busy()) {
        return ERROR_CONFLICT;
    }
    calibration_store();
    return 0;
}

int16_t commands_clear_calibration(const union value *values)
{
    UNUSED(values);
    if (is_busy()) {
        return ERROR_CONFLICT;
    }
    calibration_clear();
    protection_apply_scales();
    return 0;
}
