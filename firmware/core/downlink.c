#include "downlink.h"

#include <stdint.h>

#include "commands.h"
#include "events.h"
#include "hal.h"
#include "long_query.h"
#include "parser.h"
#include "protection.h"
#include "reply.h"
#include "status.h"
#include "uplink.h"
#include "wire.h"

/* The longest time that a line waits for what is ready to be sent. It waits because a command takes a millisecond, and its event holds up
 * the frames by half of one or more: four in a row would cost a frame. Never longer, because the host must be heard even while frames do
 * not catch up. */
enum { PATIENCE_MS = 12 };

static char line[LINE_LONGEST - 1];
static uint8_t length;
static bool is_whole;
static uint8_t whole_ms;
static bool is_overrun;

static void take(uint8_t byte)
{
    if (byte == '\n') {
        is_whole = true;
        whole_ms = (uint8_t)hal_read_milliseconds();
    } else if (byte == '\0' && hal_take_serial_loss()) {
        /* The hardware puts a zero where bytes were lost. */
        is_overrun = true;
    } else if (byte != '\r') {
        if (length < sizeof line) {
            line[length++] = (char)byte;
        } else {
            is_overrun = true;
        }
    }
}

static bool is_blank(void)
{
    for (uint8_t k = 0; k < length; k++) {
        if (line[k] != ' ') {
            return false;
        }
    }
    return true;
}

static void execute(void)
{
    int16_t error = ERROR_OVERRUN;
    if (is_overrun) {
        uplink_report_lost_line();
    } else if (is_blank()) {
        return;
    } else {
        error = parser_execute_line(commands_table, line, length);
    }
    if (error == 0) {
        protection_restart_silence();
    } else {
        status_add_error(error);
    }
}

bool downlink_step(void)
{
    bool has_read = false;
    int16_t byte;
    while (!is_whole && (byte = hal_read_serial()) >= 0) {
        take((uint8_t)byte);
        has_read = true;
    }
    /* One line at a time, and the end of a run before anything of the next. */
    if (!is_whole || long_query_is_running() || reply_is_ready() || !events_have_room() || events_hold_end_of_run()) {
        return has_read;
    }
    if (uplink_has_backlog() && (uint8_t)((uint8_t)hal_read_milliseconds() - whole_ms) < PATIENCE_MS) {
        return has_read;
    }
    execute();
    length = 0;
    is_whole = false;
    is_overrun = false;
    return true;
}
