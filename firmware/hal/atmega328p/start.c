/* From reset to the main loop: fuses, why the board has started, the watchdog, what survives a reset, sleep. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "hal.h"
#include "parts.h"

/* For a chip without a boot loader, by the data sheet's tables; a 0 is a fuse that is set. They lie in the .elf and are written by hand. */
FUSES = {
    .low = FUSE_CKSEL3,                /* full-swing oscillator, slow start; not divided by 8 */
    .high = FUSE_SPIEN & FUSE_EESAVE,  /* EEPROM, and the calibration in it, outlives flashing; start at address 0 */
    .extended = FUSE_BODLEVEL1,        /* brown-out at 2.7 V */
};

/* Not cleared at the start: the second copy, inverted, distinguishes a kept byte from what RAM holds at power-up. */
static uint8_t kept __attribute__((section(".noinit")));
static uint8_t kept_check __attribute__((section(".noinit")));
static uint8_t reset_flags __attribute__((section(".noinit")));

/* Runs before anything else, since after a watchdog reset the watchdog is on, at its shortest time. It is never off. */
void start_first(void) __attribute__((naked, used, section(".init3")));
void start_first(void)
{
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_enable(WDTO_120MS);
}

void hal_begin(void)
{
    switches_begin();
    if (hal_get_reset_cause() == HAL_RESET_POWER) {
        reset_flags = _BV(PORF); /* the answer stays the same */
        hal_write_kept(0);
    }
    ACSR = _BV(ACD);
    clock_begin();
    serial_begin();
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();
}

static bool kept_is_good(void)
{
    return (kept ^ kept_check) == 0xFF;
}

/* A boot loader may have cleared the flags already: then the kept byte shows whether the power was off, and everything else is
 * taken for an external reset. */
enum hal_reset hal_get_reset_cause(void)
{
    if ((reset_flags & _BV(PORF)) || (reset_flags == 0 && !kept_is_good())) {
        return HAL_RESET_POWER;
    }
    if (reset_flags & _BV(WDRF)) {
        return HAL_RESET_WATCHDOG;
    }
    return reset_flags & _BV(BORF) ? HAL_RESET_BROWNOUT : HAL_RESET_EXTERNAL;
}

uint8_t hal_read_kept(void)
{
    return kept_is_good() ? kept : 0;
}

void hal_write_kept(uint8_t value)
{
    kept = value;
    kept_check = (uint8_t)~value;
}

void hal_feed_watchdog(void)
{
    wdt_reset();
}

void hal_hold_interrupts(void)
{
    cli();
}

void hal_release_interrupts(void)
{
    sei();
}

void hal_idle(void)
{
    sleep_mode();
}
