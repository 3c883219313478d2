#include "run.h"

#include <stddef.h>

#include "edges.h"
#include "events.h"
#include "hal.h"
#include "sampler.h"
#include "stand.h"
#include "uplink.h"

/* The anchor is moved on by so many samples, but stays so many behind: no moment asked for lies before it. */
#define ANCHOR_STEP 0x10000ul

uint32_t run_first_stamp;

static uint32_t anchor_clock;
static uint32_t anchor_stamp;
static uint16_t clocks_per_sample;

static void start(struct stand stand)
{
    clocks_per_sample = stand.state & STATE_PRECISE ? SAMPLER_PRECISE_CLOCKS : SAMPLER_FAST_CLOCKS;
    anchor_stamp = run_first_stamp;
    anchor_clock = sampler_start(stand, (uint16_t)run_first_stamp);
}

void run_watch(void)
{
    start(stand_now());
}

void run_start(void)
{
    struct stand stand = stand_now();
    stand.state = (uint8_t)((stand.state + STATE_RUN_ONE) | STATE_SAMPLING);
    uplink_begin_run();
    edges_begin_run();
    start(stand);
}

void run_stop(void)
{
    if (!stand_is(STATE_SAMPLING)) {
        return;
    }
    struct moment moment = run_moment(hal_clock());
    struct stand stand = stand_now();
    stand.state &= (uint8_t)~STATE_SAMPLING;
    /* The sampler knows the low half of the number of samples taken, the clock knows it to within a few. */
    uint16_t taken = sampler_stop(stand);
    int16_t ahead = (int16_t)(taken - (uint16_t)moment.stamp);
    if (ahead < 0) {
        moment.stamp -= (uint16_t)-ahead;
    } else {
        moment.stamp += (uint16_t)ahead;
    }
    moment.ticks = 0;
    events_add(EVENT_STOPPED, 0, 0, moment);
}

struct moment run_moment(uint32_t clock)
{
    struct moment moment = {0, 0};
    if (stand_is(STATE_SAMPLING)) {
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

bool run_is_in_step(uint8_t kept)
{
    uint32_t clock;
    uint16_t next = sampler_next_stamp(&clock);
    /* A conversion is over 11.5 periods of the converter's clock after its sample was held, of 13. */
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

void run_step(void)
{
    uint32_t step = ANCHOR_STEP * clocks_per_sample;
    if ((int32_t)(hal_clock() - anchor_clock) >= (int32_t)(2 * step)) {
        anchor_clock += step;
        anchor_stamp += ANCHOR_STEP;
    }
    /* Current and supply are watched without a run, too. In one, every frame is looked at. */
    if (!stand_is(STATE_SAMPLING) && sampler_full_frame(0) == NULL) {
        (void)run_is_in_step(0);
    }
}
