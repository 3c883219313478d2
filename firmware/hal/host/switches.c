/* The switches, the hardware latch that holds them open, and the voltage range. */
#include "parts.h"

enum { SWITCHING = 96 };

void (*host_switched)(uint64_t clock, bool master, uint8_t loads);

static bool master;
static uint8_t loads;
static uint8_t range;
static bool latch_has_cause;
static bool latch_is_set;

void latch_set_cause(bool is_there)
{
    latch_has_cause = is_there;
    latch_is_set = latch_is_set || latch_has_cause;
}

void hal_write_switches(bool master_to, uint8_t loads_to)
{
    bool is_change = master != master_to || loads != loads_to;
    host_spend_clocks(SWITCHING);
    master = master_to;
    loads = loads_to;
    if (is_change) {
        host_switched(host_read_clock(), master, loads);
    }
}

bool hal_latch_is_set(void)
{
    host_spend_clocks(CALL);
    return latch_is_set;
}

void hal_clear_latch(void)
{
    host_spend_clocks(CALL);
    latch_is_set = latch_has_cause;
}

void hal_write_range(uint8_t range_to)
{
    host_spend_clocks(CALL);
    range = range_to;
}

uint8_t host_get_range(void)
{
    return range;
}
