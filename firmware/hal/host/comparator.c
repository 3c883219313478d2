/* The comparator, the counter of its rising edges, and the capture of one edge's time. */
#include "parts.h"

static bool level;
static uint8_t rises;
static bool is_armed;
static bool waits_for_rise;
static bool is_captured;
static uint32_t captured;

void comparator_set(bool is_high)
{
    if (level == is_high) {
        return;
    }
    level = is_high;
    rises = (uint8_t)(rises + level);
    if (is_armed && waits_for_rise == level) {
        is_armed = false;
        is_captured = true;
        captured = (uint32_t)host_read_clock();
    }
}

bool comparator_get(void)
{
    return level;
}

bool hal_comparator_is_high(void)
{
    host_spend_clocks(CALL);
    return level;
}

uint8_t hal_read_comparator_rises(void)
{
    host_spend_clocks(CALL);
    return rises;
}

void hal_arm_capture(bool rising)
{
    host_spend_clocks(CALL);
    is_armed = true;
    is_captured = false;
    waits_for_rise = rising;
}

bool hal_read_capture(uint32_t *clock)
{
    host_spend_clocks(CALL);
    if (is_captured) {
        *clock = captured;
    }
    return is_captured;
}
