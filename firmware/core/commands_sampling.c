/* SENSe, INITiate and ABORt: mode, range and runs of sampling. */
#include "calibration.h"
#include "commands_by_subject.h"
#include "hal.h"
#include "reply.h"
#include "rig.h"
#include "run.h"
#include "state.h"
#include "status.h"
#include "timebase.h"

static const ROM char word_fast[] = "FAST";
static const ROM char word_prec[] = "PREC";

void commands_change_mode(bool is_precise)
{
    struct board_state to = state_get();
    to.bits = (uint8_t)((to.bits & ~STATE_PRECISE) | (is_precise ? STATE_PRECISE : 0));
    if (to.bits != state_get().bits) {
        (void)state_change(to);
        timebase_start(state_get());
    }
}

void commands_change_range(uint8_t number)
{
    struct board_state to = state_get();
    to.bits = (uint8_t)((to.bits & ~STATE_RANGE) | number * STATE_RANGE_ONE);
    (void)state_change(to);
    hal_write_range(number);
}

int16_t commands_set_mode(const union value *values)
{
    if (state_has(STATE_SAMPLING)) {
        return ERROR_CONFLICT;
    }
    commands_change_mode(values[0].is_precise);
    return 0;
}

int16_t commands_query_mode(const union value *values)
{
    UNUSED(values);
    return reply_answer_words(state_has(STATE_PRECISE) ? word_prec : word_fast);
}

int16_t commands_set_range(const union value *values)
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
    if (state_has(STATE_SAMPLING)) {
        return ERROR_CONFLICT;
    }
    commands_change_range(number);
    return 0;
}

int16_t commands_query_range(const union value *values)
{
    UNUSED(values);
    return reply_answer(state_has(STATE_RANGE));
}

int16_t commands_start_run(const union value *values)
{
    UNUSED(values);
    if (state_has(STATE_SAMPLING)) {
        return ERROR_INIT;
    }
    run_start();
    return 0;
}

int16_t commands_stop_run(const union value *values)
{
    UNUSED(values);
    run_stop();
    return 0;
}
