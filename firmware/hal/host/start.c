/* The start: why the board has started, what survives a reset, and the watchdog. */
#include "parts.h"

static enum hal_reset reset_cause;
static uint8_t kept;
static uint64_t fed;
static uint64_t longest_unfed;

void host_reset(enum hal_reset cause, uint8_t kept_before)
{
    reset_cause = cause;
    kept = cause == HAL_RESET_POWER ? 0 : kept_before;
    mishaps_begin();
    converter_begin();
    serial_begin();
}

void hal_begin(void)
{
    host_spend_clocks(CALL);
    fed = host_read_clock();
}

enum hal_reset hal_get_reset_cause(void)
{
    return reset_cause;
}

uint8_t hal_read_kept(void)
{
    return kept;
}

void hal_write_kept(uint8_t value)
{
    kept = value;
}

void hal_feed_watchdog(void)
{
    host_spend_clocks(CALL);
    uint64_t unfed = host_read_clock() - fed;
    longest_unfed = unfed > longest_unfed ? unfed : longest_unfed;
    fed = host_read_clock();
}

uint64_t host_get_longest_unfed(void)
{
    return longest_unfed;
}
