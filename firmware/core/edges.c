#include "edges.h"

#include <stdbool.h>

#include "events.h"
#include "hal.h"
#include "state.h"
#include "timebase.h"

/* 20 ms without a change (PROTOCOL.md section 3). */
#define BURST_OVER_CLOCKS 320000ul
/* 2 ms: longer than from one call to the next. An edge captured before that was too short for the counter, and is not the one counted. */
#define STALE_CLOCKS 32000ul
enum { TRIES = 4 };

static uint8_t seen_rises;
static bool seen_high;
static uint8_t taken;

static bool in_burst;
static uint16_t burst_changes;
static uint32_t burst_first;
static uint32_t burst_last;

/* Returns the number of changes since the last call. Hardware counts the rises only; the levels then and now show how many falls came
 * between. */
static uint16_t count_changes(void)
{
    uint8_t rises = hal_read_comparator_rises();
    bool is_high = hal_comparator_is_high();
    if (rises == seen_rises && is_high == seen_high) {
        return 0;
    }
    for (uint8_t k = 0; k < TRIES && rises != hal_read_comparator_rises(); k++) {
        rises = hal_read_comparator_rises();
        is_high = hal_comparator_is_high();
    }
    int16_t changes = (int16_t)(2 * (uint8_t)(rises - seen_rises) - (is_high - seen_high));
    /* The counter may see a rise a few clocks later than the level does. */
    if (changes <= 0) {
        return 0;
    }
    seen_rises = rises;
    seen_high = is_high;
    uint16_t sum = (uint16_t)(taken + changes);
    taken = sum < UINT8_MAX ? (uint8_t)sum : UINT8_MAX;
    return (uint16_t)changes;
}

static void arm(void)
{
    in_burst = false;
    hal_arm_capture(!seen_high);
}

void edges_begin(void)
{
    seen_high = hal_comparator_is_high();
    seen_rises = hal_read_comparator_rises();
    arm();
}

void edges_begin_run(void)
{
    edges_step();
    arm();
}

static void add_to_burst(uint16_t changes)
{
    burst_last = hal_read_clock();
    if (!in_burst) {
        in_burst = true;
        burst_changes = 0;
        if (!hal_read_capture(&burst_first) || burst_last - burst_first > STALE_CLOCKS) {
            burst_first = burst_last;
        }
    }
    burst_changes = changes < UINT16_MAX - burst_changes ? (uint16_t)(burst_changes + changes) : UINT16_MAX;
}

void edges_step(void)
{
    uint16_t changes = count_changes();
    if (changes != 0) {
        add_to_burst(changes);
    } else if (in_burst && hal_read_clock() - burst_last >= BURST_OVER_CLOCKS) {
        if (state_has(STATE_SAMPLING)) {
            events_add(EVENT_BURST, seen_high, burst_changes, timebase_get_moment(burst_first));
        }
        arm();
    }
}

uint8_t edges_take_count(void)
{
    edges_step();
    uint8_t count = taken;
    taken = 0;
    return count;
}
