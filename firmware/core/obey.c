#include "obey.h"

#include <stddef.h>
#include <string.h>

#include "calibration.h"
#include "crc.h"
#include "description.h"
#include "events.h"
#include "hal.h"
#include "number.h"
#include "protection.h"
#include "reply.h"
#include "rig.h"
#include "run.h"
#include "selftest.h"
#include "stand.h"
#include "status.h"

/* What is under way, and where the description has been read up to. */
static enum { TASK_NONE, TASK_LINE, TASK_CHECK, TASK_SELF_TEST } task;
static uint8_t task_line;
static uint8_t task_field;
static uint16_t task_crc;

static const ROM char identity_begin[] = "makebreak," RIG_MODEL ",";
static const ROM char identity_end[] = "," RIG_FIRMWARE;
static const ROM char version[] = "1999.0";
static const ROM char word_fast[] = "FAST";
static const ROM char word_prec[] = "PREC";
static const ROM char trip_words[][5] = {"NONE", "CURR", "LATC", "SIL", "TIME", "SUPP"};
static const ROM char reset_words[][5] = {"NONE", "POW", "BROW", "WATC", "EXT"};

/* Every one of these has the form that the table wants, whether it looks at its parameters or not. */
#define UNUSED(values) ((void)(values))

static int16_t answer(uint32_t value)
{
    reply_add_whole(value);
    reply_finish();
    return 0;
}

static int16_t answer_words(const ROM char *words)
{
    reply_add_words(words);
    reply_finish();
    return 0;
}

/* --- IEEE 488.2 --- */

static int16_t obey_identify(const union value *values)
{
    UNUSED(values);
    reply_add_words(identity_begin);
    reply_add_text(calibration_serial(), (uint8_t)strlen(calibration_serial()));
    return answer_words(identity_end);
}

/* Opens or closes; an event tells of a change. */
static void change_switches(bool master, uint8_t loads)
{
    uint16_t before = stand_switches();
    struct stand to = {loads, (uint8_t)((stand_now().state & ~STATE_MASTER) | (master ? STATE_MASTER : 0))};
    if (to.loads == stand_now().loads && to.state == stand_now().state) {
        return;
    }
    events_add(EVENT_SWITCHED, 0, before, run_moment(stand_change(to)));
}

static void change_mode(bool is_precise)
{
    struct stand to = stand_now();
    to.state = (uint8_t)((to.state & ~STATE_PRECISE) | (is_precise ? STATE_PRECISE : 0));
    if (to.state != stand_now().state) {
        (void)stand_change(to);
        run_watch();
    }
}

static void change_range(uint8_t number)
{
    struct stand to = stand_now();
    to.state = (uint8_t)((to.state & ~STATE_RANGE) | number * STATE_RANGE_ONE);
    (void)stand_change(to);
    hal_range_write(number);
}

static int16_t obey_restore(const union value *values)
{
    UNUSED(values);
    change_switches(false, 0);
    run_stop();
    change_mode(false);
    change_range(0);
    protection_set_defaults();
    protection_clear();
    return 0;
}

static int16_t obey_clear_status(const union value *values)
{
    UNUSED(values);
    status_clear();
    return 0;
}

static int16_t obey_test(const union value *values)
{
    UNUSED(values);
    if (stand_is(STATE_SAMPLING)) {
        return ERROR_CONFLICT;
    }
    selftest_begin();
    task = TASK_SELF_TEST;
    return 0;
}

static int16_t obey_take_event(const union value *values)
{
    UNUSED(values);
    return answer(status_take_event());
}

static int16_t obey_set_event_enable(const union value *values)
{
    if (values[0].whole < 0 || values[0].whole > UINT8_MAX) {
        return ERROR_RANGE;
    }
    status_set_event_enable((uint8_t)values[0].whole);
    return 0;
}

static int16_t obey_event_enable(const union value *values)
{
    UNUSED(values);
    return answer(status_event_enable());
}

static int16_t obey_set_service_enable(const union value *values)
{
    if (values[0].whole < 0 || values[0].whole > UINT8_MAX) {
        return ERROR_RANGE;
    }
    status_set_service_enable((uint8_t)values[0].whole);
    return 0;
}

static int16_t obey_service_enable(const union value *values)
{
    UNUSED(values);
    return answer(status_service_enable());
}

static int16_t obey_status_byte(const union value *values)
{
    UNUSED(values);
    return answer(status_byte());
}

static int16_t obey_complete(const union value *values)
{
    UNUSED(values);
    status_set_event(STATUS_OPERATION_COMPLETE);
    return 0;
}

static int16_t obey_is_complete(const union value *values)
{
    UNUSED(values);
    return answer(1);
}

static int16_t obey_nothing(const union value *values)
{
    UNUSED(values);
    return 0;
}

/* --- SYSTem --- */

static int16_t obey_error(const union value *values)
{
    UNUSED(values);
    int16_t error = status_next_error();
    if (error < 0) {
        reply_add('-');
    }
    reply_add_whole((uint32_t)-error);
    reply_add(',');
    reply_add('"');
    reply_add_words(status_text(error));
    reply_add('"');
    reply_finish();
    return 0;
}

static int16_t obey_error_count(const union value *values)
{
    UNUSED(values);
    return answer(status_errors());
}

static int16_t obey_version(const union value *values)
{
    UNUSED(values);
    return answer_words(version);
}

static int16_t obey_description_lines(const union value *values)
{
    UNUSED(values);
    return answer(description_lines());
}

static void begin_description(uint8_t line)
{
    task_line = line;
    task_field = 0;
    task_crc = CRC_BEGIN;
}

static int16_t obey_description_line(const union value *values)
{
    if (values[0].whole < 1 || values[0].whole > description_lines()) {
        return ERROR_RANGE;
    }
    begin_description((uint8_t)values[0].whole);
    task = TASK_LINE;
    return 0;
}

static int16_t obey_description_check(const union value *values)
{
    UNUSED(values);
    begin_description(1);
    task = TASK_CHECK;
    return 0;
}

static int16_t obey_cause(const union value *values)
{
    UNUSED(values);
    reply_add_words(trip_words[protection_cause()]);
    reply_add(',');
    return answer_words(reset_words[hal_reset_cause()]);
}

static int16_t obey_stamp(const union value *values)
{
    UNUSED(values);
    struct moment now = run_moment(hal_clock());
    reply_add_whole(now.stamp);
    reply_add(',');
    return answer(now.ticks);
}

/* --- OUTPut and CURRent --- */

static int16_t obey_set_master(const union value *values)
{
    if (values[0].boolean && stand_is(STATE_TRIPPED)) {
        return ERROR_CONFLICT;
    }
    change_switches(values[0].boolean, stand_now().loads);
    return 0;
}

static int16_t obey_master(const union value *values)
{
    UNUSED(values);
    return answer(stand_is(STATE_MASTER));
}

static int16_t obey_clear_trip(const union value *values)
{
    UNUSED(values);
    protection_clear();
    return 0;
}

static int16_t obey_tripped(const union value *values)
{
    UNUSED(values);
    return answer(stand_is(STATE_TRIPPED));
}

static int16_t set_limited(enum rig_limit_place place, float value)
{
    if (!(value >= rig_limits[place].low && value <= rig_limits[place].high)) {
        return ERROR_RANGE;
    }
    protection_set(place, value);
    return 0;
}

static int16_t answer_setting(enum rig_limit_place place)
{
    reply_add_number(protection_setting(place));
    reply_finish();
    return 0;
}

static int16_t obey_set_level(const union value *values)
{
    return set_limited(LIMIT_LEVEL, values[0].number);
}

static int16_t obey_level(const union value *values)
{
    UNUSED(values);
    return answer_setting(LIMIT_LEVEL);
}

static int16_t obey_set_delay(const union value *values)
{
    return set_limited(LIMIT_DELAY, values[0].number);
}

static int16_t obey_delay(const union value *values)
{
    UNUSED(values);
    return answer_setting(LIMIT_DELAY);
}

static int16_t obey_set_time(const union value *values)
{
    return set_limited(LIMIT_TIME, values[0].number);
}

static int16_t obey_time(const union value *values)
{
    UNUSED(values);
    return answer_setting(LIMIT_TIME);
}

static int16_t obey_set_silence(const union value *values)
{
    return set_limited(LIMIT_SILENCE, values[0].number);
}

static int16_t obey_silence(const union value *values)
{
    UNUSED(values);
    return answer_setting(LIMIT_SILENCE);
}

/* --- ROUTe --- */

static int16_t obey_close(const union value *values)
{
    if (values[0].loads & LOADS_UNKNOWN) {
        return ERROR_RANGE;
    }
    if (stand_is(STATE_TRIPPED)) {
        return ERROR_CONFLICT;
    }
    change_switches(stand_is(STATE_MASTER), (uint8_t)(stand_now().loads | values[0].loads));
    return 0;
}

static int16_t obey_open(const union value *values)
{
    if (values[0].loads & LOADS_UNKNOWN) {
        return ERROR_RANGE;
    }
    change_switches(stand_is(STATE_MASTER), (uint8_t)(stand_now().loads & ~values[0].loads));
    return 0;
}

static int16_t obey_open_all(const union value *values)
{
    UNUSED(values);
    change_switches(stand_is(STATE_MASTER), 0);
    return 0;
}

static int16_t obey_closed(const union value *values)
{
    UNUSED(values);
    char before = '@';
    reply_add('(');
    for (uint8_t load = 0; load < RIG_LOADS; load++) {
        if (stand_now().loads & (1u << load)) {
            reply_add(before);
            reply_add((char)('1' + load));
            before = ',';
        }
    }
    if (before == '@') {
        reply_add('@');
    }
    reply_add(')');
    reply_finish();
    return 0;
}

/* --- SENSe, INITiate, ABORt --- */

static int16_t obey_set_mode(const union value *values)
{
    if (stand_is(STATE_SAMPLING)) {
        return ERROR_CONFLICT;
    }
    change_mode(values[0].is_precise);
    return 0;
}

static int16_t obey_mode(const union value *values)
{
    UNUSED(values);
    return answer_words(stand_is(STATE_PRECISE) ? word_prec : word_fast);
}

static int16_t obey_set_range(const union value *values)
{
    float wanted = values[0].number;
    float best = 0.0f;
    uint8_t number = RIG_VOLTAGE_RANGES;
    for (uint8_t place = RANGE_V_IN; place < RANGE_V_IN + RIG_VOLTAGE_RANGES; place++) {
        struct rig_range range;
        calibration_read_range(&range, place);
        if (range.high >= wanted && (number == RIG_VOLTAGE_RANGES || range.high < best)) {
            best = range.high;
            number = range.number;
        }
    }
    if (!(wanted >= 0.0f) || number == RIG_VOLTAGE_RANGES) {
        return ERROR_RANGE;
    }
    if (stand_is(STATE_SAMPLING)) {
        return ERROR_CONFLICT;
    }
    change_range(number);
    return 0;
}

static int16_t obey_range(const union value *values)
{
    UNUSED(values);
    return answer(stand_is(STATE_RANGE));
}

static int16_t obey_initiate(const union value *values)
{
    UNUSED(values);
    if (stand_is(STATE_SAMPLING)) {
        return ERROR_INIT;
    }
    run_start();
    return 0;
}

static int16_t obey_abort(const union value *values)
{
    UNUSED(values);
    run_stop();
    return 0;
}

/* --- CALibration --- */

static bool is_busy(void)
{
    return stand_is(STATE_SAMPLING) || stand_is_closed();
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

/* Where the range of this channel and number stands, or RIG_RANGES. */
static uint8_t find_range(struct words channel, int32_t number)
{
    uint8_t place = 0;
    while (place < RIG_RANGES && !(names_channel(channel, rig_ranges[place].channel) && rig_ranges[place].number == number)) {
        place++;
    }
    return place;
}

static int16_t obey_calibrate_range(const union value *values)
{
    uint8_t place = find_range(values[0].name, values[1].whole);
    struct rig_range range;
    range.zero = values[2].number;
    range.scale = values[3].number;
    range.u_scale = values[4].number;
    range.u_zero = values[5].number;
    range.u_line = values[6].number;
    if (place == RIG_RANGES || !calibration_range_is_good(&range, place)) {
        return ERROR_RANGE;
    }
    if (is_busy()) {
        return ERROR_CONFLICT;
    }
    calibration_set_range(&range, place);
    protection_follow_scales();
    return 0;
}

static int16_t obey_calibrate_clock(const union value *values)
{
    if (!calibration_clock_is_good(values[0].number, values[1].number)) {
        return ERROR_RANGE;
    }
    if (is_busy()) {
        return ERROR_CONFLICT;
    }
    calibration_set_clock(values[0].number, values[1].number);
    protection_follow_scales();
    return 0;
}

static int16_t obey_set_serial(const union value *values)
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

static int16_t obey_set_date(const union value *values)
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

static int16_t obey_date(const union value *values)
{
    UNUSED(values);
    return answer(calibration_date());
}

static int16_t obey_store(const union value *values)
{
    UNUSED(values);
    if (is_busy()) {
        return ERROR_CONFLICT;
    }
    calibration_store();
    return 0;
}

static int16_t obey_clear_calibration(const union value *values)
{
    UNUSED(values);
    if (is_busy()) {
        return ERROR_CONFLICT;
    }
    calibration_clear();
    protection_follow_scales();
    return 0;
}

const ROM struct command obey_commands[] = {
    {"*IDN?", "", obey_identify},
    {"*RST", "", obey_restore},
    {"*CLS", "", obey_clear_status},
    {"*TST?", "", obey_test},
    {"*ESR?", "", obey_take_event},
    {"*ESE", "n", obey_set_event_enable},
    {"*ESE?", "", obey_event_enable},
    {"*SRE", "n", obey_set_service_enable},
    {"*SRE?", "", obey_service_enable},
    {"*STB?", "", obey_status_byte},
    {"*OPC", "", obey_complete},
    {"*OPC?", "", obey_is_complete},
    {"*WAI", "", obey_nothing},
    {"SYSTem:BEAT", "", obey_nothing},
    {"SYSTem:ERRor[:NEXT]?", "", obey_error},
    {"SYSTem:ERRor:COUNt?", "", obey_error_count},
    {"SYSTem:VERSion?", "", obey_version},
    {"SYSTem:BOARd?", "", obey_description_lines},
    {"SYSTem:BOARd:LINE?", "n", obey_description_line},
    {"SYSTem:BOARd:CHECk?", "", obey_description_check},
    {"SYSTem:CAUSe?", "", obey_cause},
    {"SYSTem:STAMp?", "", obey_stamp},
    {"OUTPut[:STATe]", "b", obey_set_master},
    {"OUTPut[:STATe]?", "", obey_master},
    {"OUTPut:PROTection:CLEar", "", obey_clear_trip},
    {"OUTPut:PROTection:TIME", "x", obey_set_time},
    {"OUTPut:PROTection:TIME?", "", obey_time},
    {"OUTPut:PROTection:SILence", "x", obey_set_silence},
    {"OUTPut:PROTection:SILence?", "", obey_silence},
    {"CURRent:PROTection[:LEVel]", "x", obey_set_level},
    {"CURRent:PROTection[:LEVel]?", "", obey_level},
    {"CURRent:PROTection:DELay", "x", obey_set_delay},
    {"CURRent:PROTection:DELay?", "", obey_delay},
    {"CURRent:PROTection:TRIPped?", "", obey_tripped},
    {"ROUTe:CLOSe", "l", obey_close},
    {"ROUTe:CLOSe?", "", obey_closed},
    {"ROUTe:OPEN", "l", obey_open},
    {"ROUTe:OPEN:ALL", "", obey_open_all},
    {"SENSe:MODE", "m", obey_set_mode},
    {"SENSe:MODE?", "", obey_mode},
    {"SENSe:VOLTage:RANGe", "x", obey_set_range},
    {"SENSe:VOLTage:RANGe?", "", obey_range},
    {"INITiate", "", obey_initiate},
    {"ABORt", "", obey_abort},
    {"CALibration:RANGe", "wnxxxxx", obey_calibrate_range},
    {"CALibration:CLOCk", "xx", obey_calibrate_clock},
    {"CALibration:SERial", "w", obey_set_serial},
    {"CALibration:DATE", "n", obey_set_date},
    {"CALibration:DATE?", "", obey_date},
    {"CALibration:STORe", "", obey_store},
    {"CALibration:CLEar", "", obey_clear_calibration},
    {"", "", NULL},
};

/* --- answers that take their time --- */

/* One field of the description, with the comma or the line's end before it: into the reply or into the check. True at the end of a line. */
static bool read_field(void)
{
    char text[1 + DESCRIPTION_FIELD_LONGEST];
    uint8_t length = description_write_field(text + 1, task_line, task_field);
    bool is_over = length == 0;
    text[0] = is_over ? '\n' : ',';
    uint8_t begin = task_field == 0 ? 1 : 0;
    if (task == TASK_CHECK) {
        for (uint8_t k = begin; k <= length; k++) {
            task_crc = crc_add(task_crc, (uint8_t)text[k]);
        }
    } else if (!is_over) {
        reply_add_text(text + begin, (uint8_t)(length + 1u - begin));
    }
    task_field++;
    return is_over;
}

static void finish(void)
{
    reply_finish();
    task = TASK_NONE;
}

static void read_line(void)
{
    if (read_field()) {
        finish();
    }
}

static void check_description(void)
{
    if (!read_field()) {
        return;
    }
    task_line++;
    task_field = 0;
    if (task_line > description_lines()) {
        reply_add_whole(task_crc);
        finish();
    }
}

static void test(void)
{
    if (selftest_step()) {
        return;
    }
    if (selftest_result() != 0) {
        status_add_error(ERROR_SELF_TEST);
    }
    reply_add_whole(selftest_result());
    finish();
}

bool obey_is_under_way(void)
{
    return task != TASK_NONE;
}

bool obey_step(void)
{
    switch (task) {
    case TASK_NONE:
        return false;
    case TASK_LINE:
        read_line();
        return true;
    case TASK_CHECK:
        check_description();
        return true;
    default:
        test();
        return true;
    }
}
