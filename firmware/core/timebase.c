#include "timebase.h"

#include <stddef.h>

#include "hal.h"
#include "sampler.h"
#include "state.h"

/* The anchor moves on by so many samples, and stays so many behind: no moment asked for lies before it. */
#define ANCHOR_STEP 0x10000ul

uint32_t timebase_first_stamp;

static uint32_t anchor_clock;
static uint32_t anchor_stamp;
static uint16_t clocks_per_sample;

void timebase_start(struct board_state state)
{
    clocks_per_sample = state.bits & STATE_PRECISE ? SAMPLER_PRECISE_CLOCKS : SAMPLER_FAST_CLOCKS;
    anchor_stamp = timebase_first_stamp;
    anchor_clock = sampler_start(state, (uint16_t)timebase_first_stamp);
}

struct moment timebase_stop(struct board_state state)
{
    struct moment moment = timebase_get_moment(hal_read_clock());
    /* The sampler knows the low half of the number of samples taken, the clock knows it to within a few. */
    uint16_t taken = sampler_stop(state);
    int16_t ahead = (int16_t)(taken - (uint16_t)moment.stamp);
    if (ahead < 0) {
        moment.stamp -= (uint16_t)-ahead;
    } else {
        moment.stamp += (uint16_t)ahead;
    }
    moment.ticks = 0;
    return moment;
}

struct moment timebase_get_moment(uint32_t clock)
{
    struct moment moment = {0, 0};
    if (state_has(STATE_SAMPLING)) {
        uint32_t since = clock - anchor_clock;
        /* Only before the run's first sample. */
        if ((int32_t)since < 0) {
            since = 0;
        }
        uint32_t samples = since / clocks_per_sample;
        moment.stamp = anchor_stamp + samples;
        moment.ticks = (uint16_t)(since - samples * clocks_per_sample);
    }
    return moment;
}

bool timebase_keep_step(uint8_t kept)
{
    uint32_t clock;
    uint16_t next = sampler_read_next_stamp(&clock);
    /* A conversion ends 11.5 periods of the converter's clock after its sample was held, and takes 13 (data sheet). */
    uint32_t since = clock - anchor_clock - (uint32_t)(clocks_per_sample / 26u * 23u);
    if ((int32_t)since < 0) {
        return true;
    }
    uint16_t missed = (uint16_t)(anchor_stamp + since / clocks_per_sample + 1u - next);
    if (missed == 0 || missed > INT16_MAX) {
        return true;
    }
    (void)sampler_skip(missed, kept);
    return false;
}

void timebase_step(void)
{
    uint32_t step = ANCHOR_STEP * clocks_per_sample;
    if ((int32_t)(hal_read_clock() - anchor_clock) >= (int32_t)(2 * step)) {
        anchor_clock += step;
        anchor_stamp += ANCHOR_STEP;
    }
    /* Current and supply are watched without a run, too. In a run, the uplink keeps step before each frame. */
    if (!state_has(STATE_SAMPLING) && sampler_get_full_frame(0) == NULL) {
        (void)timebase_keep_step(0);
    }
}
