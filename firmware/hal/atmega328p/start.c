/* From reset to the main loop: why the board has started, the watchdog, what survives a reset, sleep. */
#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "hal.h"
#include "parts.h"

/* Not cleared at the start: the second copy, inverted, tells what is kept from what a RAM holds at power-up. */
static uint8_t kept __attribute__((section(".noinit")));
static uint8_t kept_check __attribute__((section(".noinit")));
static uint8_t reset_flags __attribute__((section(".noinit")));

/* Runs before anything else: after a watchdog reset the watchdog is still on, at its shortest time. */
void start_first(void) __attribute__((naked, used, section(".init3")));
void start_first(void)
{
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

void hal_begin(void)
{
    switches_begin();
    if (hal_reset_cause() == HAL_RESET_POWER) {
        hal_kept_write(0);
    }
    ACSR = _BV(ACD);
    clock_begin();
    serial_begin();
    wdt_enable(WDTO_120MS);
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();
}

/* A boot loader may have cleared the flags already; what it starts is then taken for an external reset. */
enum hal_reset hal_reset_cause(void)
{
    if (reset_flags & _BV(PORF)) {
        return HAL_RESET_POWER;
    }
    if (reset_flags & _BV(WDRF)) {
        return HAL_RESET_WATCHDOG;
    }
    return reset_flags & _BV(BORF) ? HAL_RESET_BROWNOUT : HAL_RESET_EXTERNAL;
}

uint8_t hal_kept_read(void)
{
    return (kept ^ kept_check) == 0xFF ? kept : 0;
}

void hal_kept_write(uint8_t value)
{
    kept = value;
    kept_check = (uint8_t)~value;
}

void hal_watchdog_feed(void)
{
    wdt_reset();
}

void hal_interrupts_hold(void)
{
    cli();
}

void hal_interrupts_release(void)
{
    sei();
}

void hal_idle(void)
{
    sleep_mode();
}
