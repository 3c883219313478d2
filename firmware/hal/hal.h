/* What the core asks of the hardware. One implementation is chosen when the program is linked: hal/atmega328p for the board, hal/host for
 * tests on a computer. Everything here is called from the main loop only, unless a comment says otherwise; nothing blocks but what says so.
 *
 * The other way, an implementation calls from its interrupts sampler_input_ahead() and sampler_take() (core/sampler.h), once a conversion,
 * and nothing else of the core. Beside this file's functions it has a header rom.h, which defines ROM: the word that puts a constant into
 * program memory.
 */
#ifndef HAL_H
#define HAL_H

#include <stdbool.h>
#include <stdint.h>

enum hal_mode { HAL_FAST, HAL_PRECISE };
enum hal_reset { HAL_RESET_POWER = 1, HAL_RESET_BROWNOUT = 2, HAL_RESET_WATCHDOG = 3, HAL_RESET_EXTERNAL = 4 };

/* Puts every pin into its safe state (all open, latch as it is), starts clock, serial line, comparator and watchdog, enables interrupts. */
void hal_begin(void);

/* Why the program has started. The same answer every time. */
enum hal_reset hal_reset_cause(void);

/* A byte that survives every reset but power-up; 0 after that. */
uint8_t hal_kept_read(void);
void hal_kept_write(uint8_t value);

/* --- switches --- */

/* Closes exactly these loads (bit n-1 = load n) at one instant, then the master switch follows within 100 us; opening, the master goes
 * first. With everything open the outputs are also disabled in hardware. Cheap, and repeated now and then so that a disturbed output
 * heals. */
void hal_switches_write(bool master, uint8_t loads);

/* Whether the over-current latch or the emergency stop holds everything open in hardware. */
bool hal_latch_is_set(void);

/* Asks the latch to let go; if its cause persists it stays set. */
void hal_latch_clear(void);

/* Voltage range 0 (36.8 V) or 1 (18.8 V). */
void hal_range_write(uint8_t range);

/* --- converter --- */

/* Restarts the free-running converter in this mode; the first conversion is sample 0 of the scan plan (sampler_channel()). Returns the
 * clock count (hal_clock) at which sample 0 is held; sample n is held n * 416 (1664) counts later, exactly. Called with interrupts held;
 * no sampler_take() for a conversion from before may come afterwards. */
uint32_t hal_converter_start(enum hal_mode mode);

/* Whether a conversion has ended whose sampler_take() is still to come. Called with interrupts held. */
bool hal_converter_has_ended(void);

/* --- time --- */

/* Periods of the 16 MHz clock, modulo 2^32. Also callable from interrupts. */
uint32_t hal_clock(void);

/* Milliseconds, modulo 2^32. */
uint32_t hal_milliseconds(void);

/* Must be called at least every 100 ms, or the board resets within 300 ms. */
void hal_watchdog_feed(void);

/* --- comparator --- */

/* Its level now. Also callable from interrupts. */
bool hal_comparator_is_high(void);

/* Rising edges since power-up, modulo 256, counted by hardware. */
uint8_t hal_comparator_rises(void);

/* Waits for the next edge, rising or falling; forgets one captured before. */
void hal_capture_arm(bool rising);

/* Whether that edge has come; if so *clock is its time (hal_clock). */
bool hal_capture_read(uint32_t *clock);

/* --- serial line --- */

/* The next byte received, or -1. */
int16_t hal_serial_read(void);

/* Whether received bytes were lost (hardware overrun or a full ring) since last asked. */
bool hal_serial_has_lost(void);

/* Sends length bytes from data, which must stay as it is until hal_serial_is_idle(). Only while idle. */
void hal_serial_send(const uint8_t *data, uint8_t length);
bool hal_serial_is_idle(void);

/* --- memory --- */

/* Memory that survives power-down, 1024 bytes. Writing blocks (3.4 ms a byte that changes) and feeds the watchdog. */
void hal_store_read(uint16_t address, void *data, uint16_t length);
void hal_store_write(uint16_t address, const void *data, uint16_t length);

/* The program as it lies in memory, for its check: the CRC of PROTOCOL.md section 3 over all its bytes is 0, since the last two are the
 * CRC, high byte first, over those before. */
uint16_t hal_program_length(void);
uint8_t hal_program_byte(uint16_t address);

/* No interrupts between these two: short, not nested. */
void hal_interrupts_hold(void);
void hal_interrupts_release(void);

/* Sleeps until the next interrupt. One may have come just before: then it sleeps on until the next conversion at the latest. */
void hal_idle(void);

#endif
