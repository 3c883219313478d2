#include "protection.h"

#include "calibration.h"
#include "events.h"
#include "hal.h"
#include "sampler.h"
#include "state.h"
#include "timebase.h"

#define FAST_SCAN_CLOCKS ((float)SAMPLER_SLOTS * SAMPLER_FAST_CLOCKS)

static float settings[RIG_LIMITS];
static uint32_t heard_ms;

/* Returns the lowest count that reads at least so many amperes. */
static int16_t count_at(const struct rig_range *range, float amperes)
{
    float count = range->zero + amperes / range->scale;
    if (count > SAMPLER_FULL_COUNT) {
        return SAMPLER_FULL_COUNT + 1;
    }
    int16_t whole = (int16_t)count;
    return (int16_t)(whole + ((float)whole < count));
}

/* Sets the level in counts: in the narrow range where that reaches, because it resolves the current better, but for negative currents,
 * which it hardly reads, in the wide one. A count clipped at the upper end is over any level; at the lower end it says nothing of a level
 * beyond. */
static void apply_level(void)
{
    float level = settings[LIMIT_LEVEL];
    struct rig_range range;
    calibration_read_range(&range, RANGE_I_LOAD_LOW);
    int16_t over_narrow = count_at(&range, level);
    calibration_read_range(&range, RANGE_I_LOAD);
    int16_t over_high = count_at(&range, level);
    float low = range.zero - level / range.scale;
    if (over_narrow < SAMPLER_FULL_COUNT) {
        over_high = INT16_MAX;
    } else {
        over_narrow = INT16_MAX;
        over_high = over_high < SAMPLER_FULL_COUNT ? over_high : SAMPLER_FULL_COUNT;
    }
    sampler_set_level(over_high, low < 0.0f ? -1 : (int16_t)low, over_narrow);
}

static void apply_delay(void)
{
    float scans = settings[LIMIT_DELAY] * (float)calibration_get_clock_hz() / FAST_SCAN_CLOCKS;
    /* The first scan that shows the current may come just after it: only one more than that proves the delay. */
    sampler_set_delay((uint16_t)((uint16_t)scans + 2u));
}

void protection_apply_scales(void)
{
    apply_level();
    apply_delay();
}

void protection_begin(void)
{
    if (hal_get_reset_cause() == HAL_RESET_POWER) {
        hal_write_kept(TRIP_NONE);
        /* What the latch holds at power-up means nothing. After any other start it shows why. */
        hal_clear_latch();
    }
    protection_set_defaults();
}

void protection_set_defaults(void)
{
    for (uint8_t place = 0; place < RIG_LIMITS; place++) {
        settings[place] = rig_limits[place].standard;
    }
    protection_apply_scales();
}

float protection_get_setting(enum rig_limit_place place)
{
    return settings[place];
}

void protection_set(enum rig_limit_place place, float value)
{
    settings[place] = value;
    protection_apply_scales();
}

void protection_restart_silence(void)
{
    heard_ms = hal_read_milliseconds();
}

enum trip_cause protection_get_cause(void)
{
    uint8_t kept = hal_read_kept();
    return kept <= TRIP_SUPPLY ? (enum trip_cause)kept : TRIP_NONE;
}

static uint32_t milliseconds_of(enum rig_limit_place place)
{
    return (uint32_t)(settings[place] * 1000.0f);
}

static enum trip_cause find_cause(void)
{
    if (hal_latch_is_set()) {
        return TRIP_LATCH;
    }
    if (sampler_current_is_over()) {
        return TRIP_CURRENT;
    }
    if (sampler_supply_is_over()) {
        return TRIP_SUPPLY;
    }
    uint32_t now = hal_read_milliseconds();
    if (state_has_closed_switch() && now - heard_ms >= milliseconds_of(LIMIT_SILENCE)) {
        return TRIP_SILENCE;
    }
    if (state_has(STATE_MASTER) && now - state_get_master_since_ms() >= milliseconds_of(LIMIT_TIME)) {
        return TRIP_TIME;
    }
    return TRIP_NONE;
}

void protection_step(void)
{
    if (state_has(STATE_TRIPPED)) {
        return;
    }
    enum trip_cause cause = find_cause();
    if (cause == TRIP_NONE) {
        return;
    }
    uint16_t before = state_get_switches();
    struct board_state open = {0, (uint8_t)((state_get().bits & ~STATE_MASTER) | STATE_TRIPPED)};
    uint32_t clock = state_change(open);
    hal_write_kept((uint8_t)cause);
    events_add(EVENT_TRIP, (uint8_t)cause, before, timebase_get_moment(clock));
}

static bool cause_is_gone(void)
{
    switch (protection_get_cause()) {
    case TRIP_CURRENT:
        return !sampler_current_is_high();
    case TRIP_SUPPLY:
        return !sampler_supply_is_high();
    case TRIP_LATCH:
        hal_clear_latch();
        return !hal_latch_is_set();
    default:
        return true;
    }
}

void protection_clear(void)
{
    if (!state_has(STATE_TRIPPED) || !cause_is_gone()) {
        return;
    }
    sampler_forget_excess();
    struct board_state state = state_get();
    state.bits &= (uint8_t)~STATE_TRIPPED;
    (void)state_change(state);
}
