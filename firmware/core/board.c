#include "board.h"

#include "calibration.h"
#include "downlink.h"
#include "edges.h"
#include "events.h"
#include "hal.h"
#include "long_query.h"
#include "protection.h"
#include "state.h"
#include "status.h"
#include "timebase.h"
#include "uplink.h"

void board_begin(void)
{
    hal_begin();
    hal_write_range(0);
    status_begin();
    calibration_begin();
    protection_begin();
    edges_begin();
    uplink_begin();
    timebase_start(state_get());
    events_add(EVENT_STARTED, (uint8_t)hal_get_reset_cause(), 0, timebase_get_moment(hal_read_clock()));
}

static uint8_t checked_ms;
static bool frame_went_first;

/* Once a millisecond is often enough, because the hardware does what can't wait, and leaves the time to the frames. */
static void check_all(void)
{
    uint8_t now_ms = (uint8_t)hal_read_milliseconds();
    if (now_ms == checked_ms) {
        return;
    }
    checked_ms = now_ms;
    timebase_step();
    protection_step();
    state_refresh_outputs();
}

void board_step(void)
{
    hal_feed_watchdog();
    check_all();
    edges_step();
    /* Frames go first, because a full buffer can't wait for what a command or a long reply takes. But not twice in a row, or no command
     * would be executed while there is always a frame to send. */
    bool is_busy = uplink_step();
    frame_went_first = is_busy && !frame_went_first;
    if (frame_went_first) {
        return;
    }
    is_busy |= long_query_step();
    is_busy |= downlink_step();
    if (!is_busy) {
        hal_idle();
    }
}
