/* SENSe, INITiate and ABORt: how is sampled, and when. */
#include "calibration.h"
#include "hal.h"
#include "obey_parts.h"
#include "reply.h"
#include "rig.h"
#include "run.h"
#include "stand.h"
#include "status.h"

static const ROM char word_fast[] = "FAST";
static const ROM char word_prec[] = "PREC";

void obey_change_mode(bool is_precise)
{
    struct stand to = stand_now();
    to.state = (uint8_t)((to.state & ~STATE_PRECISE) | (is_precise ? STATE_PRECISE : 0));
    if (to.state != stand_now().state) {
        (void)stand_change(to);
        run_watch();
    }
}

void obey_change_range(uint8_t number)
{
    struct stand to = stand_now();
    to.state = (uint8_t)((to.state & ~STATE_RANGE) | number * STATE_RANGE_ONE);
    (void)stand_change(to);
    hal_range_write(number);
}

int16_t obey_set_mode(const union value *values)
{
    if (stand_is(STATE_SAMPLING)) {
        return ERROR_CONFLICT;
    }
    obey_change_mode(values[0].is_precise);
    return 0;
}

int16_t obey_mode(const union value *values)
{
    UNUSED(values);
    return reply_answer_words(stand_is(STATE_PRECISE) ? word_prec : word_fast);
}

int16_t obey_set_range(const union value *values)
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
    obey_change_range(number);
    return 0;
}

int16_t obey_range(const union value *values)
{
    UNUSED(values);
    return reply_answer(stand_is(STATE_RANGE));
}

int16_t obey_initiate(const union value *values)
{
    UNUSED(values);
    if (stand_is(STATE_SAMPLING)) {
        return ERROR_INIT;
    }
    run_start();
    return 0;
}

int16_t obey_abort(const union value *values)
{
    UNUSED(values);
    run_stop();
    return 0;
}
