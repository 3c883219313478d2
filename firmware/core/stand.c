#include "stand.h"

#include "hal.h"
#include "sampler.h"

enum { REFRESH_MS = 100 };

static uint32_t master_since_ms;
static uint32_t written_ms;

struct stand stand_now(void)
{
    return sampler.now;
}

bool stand_is(uint8_t bits)
{
    return (sampler.now.state & bits) != 0;
}

bool stand_is_closed(void)
{
    return stand_is(STATE_MASTER) || sampler.now.loads != 0;
}

uint16_t stand_switches(void)
{
    return (uint16_t)(sampler.now.loads | (stand_is(STATE_MASTER) ? 0x100 : 0));
}

static void write_switches(void)
{
    written_ms = hal_milliseconds();
    hal_switches_write(stand_is(STATE_MASTER), sampler.now.loads);
}

uint32_t stand_change(struct stand to)
{
    bool closes_master = !stand_is(STATE_MASTER) && (to.state & STATE_MASTER) != 0;
    uint32_t clock = sampler_change_stand(to);
    write_switches();
    if (closes_master) {
        master_since_ms = written_ms;
    }
    return clock;
}

uint32_t stand_master_since(void)
{
    return master_since_ms;
}

void stand_step(void)
{
    if (hal_milliseconds() - written_ms >= REFRESH_MS) {
        write_switches();
    }
}
