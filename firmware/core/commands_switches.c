/* OUTPut, CURRent and ROUTe: switches and protection. */
#include "commands_by_subject.h"
#include "events.h"
#include "protection.h"
#include "reply.h"
#include "rig.h"
#include "state.h"
#include "status.h"
#include "timebase.h"

void commands_change_switches(bool master, uint8_t loads)
{
    uint16_t before = state_get_switches();
    struct board_state to = {loads, (uint8_t)((state_get().bits & ~STATE_MASTER) | (master ? STATE_MASTER : 0))};
    if (to.loads == state_get().loads && to.bits == state_get().bits) {
        return;
    }
    events_add(EVENT_SWITCHED, 0, before, timebase_get_moment(state_change(to)));
}

int16_t commands_set_master(const union value *values)
{
    if (values[0].boolean && state_has(STATE_TRIPPED)) {
        return ERROR_CONFLICT;
    }
    commands_change_switches(values[0].boolean, state_get().loads);
    return 0;
}

int16_t commands_query_master(const union value *values)
{
    UNUSED(values);
    return reply_answer(state_has(STATE_MASTER));
}

int16_t commands_clear_trip(const union value *values)
{
    UNUSED(values);
    protection_clear();
    return 0;
}

int16_t commands_query_tripped(const union value *values)
{
    UNUSED(values);
    return reply_answer(state_has(STATE_TRIPPED));
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
    reply_add_number(protection_get_setting(place));
    reply_finish();
    return 0;
}

int16_t commands_set_level(const union value *values)
{
    return set_limited(LIMIT_LEVEL, values[0].number);
}

int16_t commands_query_level(const union value *values)
{
    UNUSED(values);
    return answer_setting(LIMIT_LEVEL);
}

int16_t commands_set_delay(const union value *values)
{
    return set_limited(LIMIT_DELAY, values[0].number);
}

int16_t commands_query_delay(const union value *values)
{
    UNUSED(values);
    return answer_setting(LIMIT_DELAY);
}

int16_t commands_set_time(const union value *values)
{
    return set_limited(LIMIT_TIME, values[0].number);
}

int16_t commands_query_time(const union value *values)
{
    UNUSED(values);
    return answer_setting(LIMIT_TIME);
}

int16_t commands_set_silence(const union value *values)
{
    return set_limited(LIMIT_SILENCE, values[0].number);
}

int16_t commands_query_silence(const union value *values)
{
    UNUSED(values);
    return answer_setting(LIMIT_SILENCE);
}

int16_t commands_close_loads(const union value *values)
{
    if (values[0].loads & LOADS_UNKNOWN) {
        return ERROR_RANGE;
    }
    if (state_has(STATE_TRIPPED)) {
        return ERROR_CONFLICT;
    }
    commands_change_switches(state_has(STATE_MASTER), (uint8_t)(state_get().loads | values[0].loads));
    return 0;
}

int16_t commands_open_loads(const union value *values)
{
    if (values[0].loads & LOADS_UNKNOWN) {
        return ERROR_RANGE;
    }
    commands_change_switches(state_has(STATE_MASTER), (uint8_t)(state_get().loads & ~values[0].loads));
    return 0;
}

int16_t commands_open_all_loads(const union value *values)
{
    UNUSED(values);
    commands_change_switches(state_has(STATE_MASTER), 0);
    return 0;
}

int16_t commands_query_loads(const union value *values)
{
    UNUSED(values);
    char before = '@';
    reply_add('(');
    for (uint8_t load = 0; load < RIG_LOADS; load++) {
        if (state_get().loads & (1u << load)) {
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
