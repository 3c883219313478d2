#include "board.h"

#include "calibration.h"
#include "edges.h"
#include "events.h"
#include "hal.h"
#include "line.h"
#include "slow.h"
#include "protection.h"
#include "run.h"
#include "stand.h"
#include "status.h"
#include "uplink.h"

void board_begin(void)
{
    hal_begin();
    hal_range_write(0);
    status_begin();
    calibration_begin();
    protection_begin();
    edges_begin();
    uplink_begin();
    run_watch();
    events_add(EVENT_STARTED, (uint8_t)hal_reset_cause(), 0, run_moment(hal_clock()));
}

static uint8_t looked_ms;
static bool went_first;

/* Once a millisecond is often enough, and leaves the time to the frames: what can't wait, the hardware does. */
static void look_around(void)
{
    uint8_t now_ms = (uint8_t)hal_milliseconds();
    if (now_ms == looked_ms) {
        return;
    }
    looked_ms = now_ms;
    run_step();
    protection_step();
    stand_step();
}

void board_step(void)
{
    hal_watchdog_feed();
    look_around();
    edges_step();
    /* Frames go first: what a command or a long answer takes, a frame can't wait for. But not twice in a row, or nobody would be heard where
     * there is always a frame to send. */
    bool is_busy = uplink_step();
    went_first = is_busy && !went_first;
    if (went_first) {
        return;
    }
    is_busy |= slow_step();
    is_busy |= line_step();
    if (!is_busy) {
        hal_idle();
    }
}
