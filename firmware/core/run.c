#include "run.h"

#include "edges.h"
#include "events.h"
#include "state.h"
#include "timebase.h"
#include "uplink.h"

void run_start(void)
{
    struct board_state state = state_get();
    state.bits = (uint8_t)((state.bits + STATE_RUN_ONE) | STATE_SAMPLING);
    uplink_begin_run(timebase_first_stamp);
    edges_begin_run();
    timebase_start(state);
}

void run_stop(void)
{
    if (!state_has(STATE_SAMPLING)) {
        return;
    }
    struct board_state state = state_get();
    state.bits &= (uint8_t)~STATE_SAMPLING;
    events_add(EVENT_STOPPED, 0, 0, timebase_stop(state));
}
