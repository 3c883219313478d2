/* OUTPut, CURRent and ROUTe: switches and what protects. */
#include "events.h"
#include "obey_parts.h"
#include "protection.h"
#include "reply.h"
#include "rig.h"
#include "run.h"
#include "stand.h"
#include "status.h"

/* Opens or closes; an event tells of a change. */
void obey_change_switches(bool master, uint8_t loads)
{
    uint16_t before = stand_switches();
    struct stand to = {loads, (uint8_t)((stand_now().state & ~STATE_MASTER) | (master ? STATE_MASTER : 0))};
    if (to.loads == stand_now().loads && to.state == stand_now().state) {
        return;
    }
    events_add(EVENT_SWITCHED, 0, before, run_moment(stand_change(to)));
}

int16_t obey_set_master(const union value *values)
{
    if (values[0].boolean && stand_is(STATE_TRIPPED)) {
        return ERROR_CONFLICT;
    }
    obey_change_switches(values[0].boolean, stand_now().loads);
    return 0;
}

int16_t obey_master(const union value *values)
{
    UNUSED(values);
    return reply_answer(stand_is(STATE_MASTER));
}

int16_t obey_clear_trip(const union value *values)
{
    UNUSED(values);
    protection_clear();
    return 0;
}

int16_t obey_tripped(const union value *values)
{
    UNUSED(values);
    return reply_answer(stand_is(STATE_TRIPPED));
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

int16_t obey_set_level(const union value *values)
{
    return set_limited(LIMIT_LEVEL, values[0].number);
}

int16_t obey_level(const union value *values)
{
    UNUSED(values);
    return answer_setting(LIMIT_LEVEL);
}

int16_t obey_set_delay(const union value *values)
{
    return set_limited(LIMIT_DELAY, values[0].number);
}

int16_t obey_delay(const union value *values)
{
    UNUSED(values);
    return answer_setting(LIMIT_DELAY);
}

int16_t obey_set_time(const union value *values)
{
    return set_limited(LIMIT_TIME, values[0].number);
}

int16_t obey_time(const union value *values)
{
    UNUSED(values);
    return answer_setting(LIMIT_TIME);
}

int16_t obey_set_silence(const union value *values)
{
    return set_limited(LIMIT_SILENCE, values[0].number);
}

int16_t obey_silence(const union value *values)
{
    UNUSED(values);
    return answer_setting(LIMIT_SILENCE);
}

int16_t obey_close(const union value *values)
{
    if (values[0].loads & LOADS_UNKNOWN) {
        return ERROR_RANGE;
    }
    if (stand_is(STATE_TRIPPED)) {
        return ERROR_CONFLICT;
    }
    obey_change_switches(stand_is(STATE_MASTER), (uint8_t)(stand_now().loads | values[0].loads));
    return 0;
}

int16_t obey_open(const union value *values)
{
    if (values[0].loads & LOADS_UNKNOWN) {
        return ERROR_RANGE;
    }
    obey_change_switches(stand_is(STATE_MASTER), (uint8_t)(stand_now().loads & ~values[0].loads));
    return 0;
}

int16_t obey_open_all(const union value *values)
{
    UNUSED(values);
    obey_change_switches(stand_is(STATE_MASTER), 0);
    return 0;
}

int16_t obey_closed(const union value *values)
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
