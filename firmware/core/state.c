#include "state.h"

#include "hal.h"
#include "sampler.h"

enum { REFRESH_MS = 100 };

static uint32_t master_since_ms;
static uint32_t written_ms;

struct board_state state_get(void)
{
    return sampler.now;
}

bool state_has(uint8_t bits)
{
    return (sampler.now.bits & bits) != 0;
}

bool state_has_closed_switch(void)
{
    return state_has(STATE_MASTER) || sampler.now.loads != 0;
}

uint16_t state_get_switches(void)
{
    return (uint16_t)(sampler.now.loads | (state_has(STATE_MASTER) ? 0x100 : 0));
}

static void write_switches(void)
{
    written_ms = hal_read_milliseconds();
    hal_write_switches(state_has(STATE_MASTER), sampler.now.loads);
}

uint32_t state_change(struct board_state to)
{
    bool closes_master = !state_has(STATE_MASTER) && (to.bits & STATE_MASTER) != 0;
    uint32_t clock = sampler_change_state(to);
    write_switches();
    if (closes_master) {
        master_since_ms = written_ms;
    }
    return clock;
}

uint32_t state_get_master_since_ms(void)
{
    return master_since_ms;
}

void state_refresh_outputs(void)
{
    if (hal_read_milliseconds() - written_ms >= REFRESH_MS) {
        write_switches();
    }
}
