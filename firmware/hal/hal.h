/* The hooks: what the core asks of the hardware. One implementation is chosen when the program is linked: hal/atmega328p for the board,
 * hal/host for tests on a computer. All are called from the main loop only, and return at once, unless a comment says otherwise.
 *
 * The other way, an implementation calls from its converter's interrupt sampler_get_input_ahead() and then sampler_take_count()
 * (core/sampler.h), once a conversion, and nothing else of the core. It also has a header rom.h, which defines ROM: the word that puts a
 * constant into program memory.
 */
#ifndef HAL_H
#define HAL_H

#include <stdbool.h>
#include <stdint.h>

enum hal_mode { HAL_FAST, HAL_PRECISE };
enum hal_reset { HAL_RESET_POWER = 1, HAL_RESET_BROWNOUT = 2, HAL_RESET_WATCHDOG = 3, HAL_RESET_EXTERNAL = 4 };

/* Puts every pin into its safe state (all open, latch as it is), starts clock, serial line, comparator and watchdog, enables interrupts.
 * Once, before all others. */
void hal_begin(void);

/* Returns why the program has started; the same answer every time. */
enum hal_reset hal_get_reset_cause(void);

/* Read and write a byte that survives every reset but power-up; 0 after that. */
uint8_t hal_read_kept(void);
void hal_write_kept(uint8_t value);

/* --- switches --- */

/* Closes exactly these loads (bit n-1 for load n) at one instant; the master switch follows within 100 us. Opening, the master goes first.
 * With everything open the outputs are also disabled in hardware. May be repeated at any time, so that a disturbed output heals. */
void hal_write_switches(bool master, uint8_t loads);

/* Returns whether the over-current latch or the emergency stop holds everything open in hardware. */
bool hal_latch_is_set(void);

/* Asks the latch to let go. It stays set while its cause is there. */
void hal_clear_latch(void);

/* Selects voltage range 0 (36.8 V) or 1 (18.8 V). */
void hal_write_range(uint8_t range);

/* --- converter --- */

/* Restarts the free-running converter in this mode; the first conversion is sample 0 of the scan plan (sampler_get_input()). Only with
 * interrupts held. Returns the clock (hal_read_clock) at which sample 0 is held; sample n is held n * 416 clocks later, 1664 in the precise
 * mode, exactly. No sampler_take_count() for an earlier conversion comes afterwards. */
uint32_t hal_start_converter(enum hal_mode mode);

/* Returns whether a conversion has ended whose sampler_take_count() is still to come. Only with interrupts held. */
bool hal_converter_has_ended(void);

/* --- time --- */

/* Returns periods of the 16 MHz clock, modulo 2^32. Also from interrupts. */
uint32_t hal_read_clock(void);

/* Returns milliseconds, modulo 2^32. */
uint32_t hal_read_milliseconds(void);

/* Feeds the watchdog. Must come at least every 100 ms, or the board resets within 300 ms. */
void hal_feed_watchdog(void);

/* --- comparator --- */

/* Returns the comparator's level. Also from interrupts. */
bool hal_comparator_is_high(void);

/* Returns its rising edges since power-up, modulo 256, counted by hardware. */
uint8_t hal_read_comparator_rises(void);

/* Waits for the next edge, rising or falling, and forgets one captured before. */
void hal_arm_capture(bool rising);

/* Returns whether that edge has come; if so, writes its time (hal_read_clock) to *clock. */
bool hal_read_capture(uint32_t *clock);

/* --- serial line --- */

/* Returns the next byte received, or -1. */
int16_t hal_read_serial(void);

/* Returns whether received bytes were lost (hardware overrun or a full ring) since last asked. A lost byte reads as 0. */
bool hal_take_serial_loss(void);

/* Sends length bytes, at least 1. Only while the line is idle; the data must stay as it is until it is idle again. */
void hal_send_serial(const uint8_t *data, uint8_t length);

/* Returns whether all that was given is on its way. */
bool hal_serial_is_idle(void);

/* --- memory --- */

/* Read and write memory that survives power-down, 1024 bytes. Writing blocks for 3.4 ms for each byte that changes, and feeds the watchdog.
 */
void hal_read_store(uint16_t address, void *data, uint16_t length);
void hal_write_store(uint16_t address, const void *data, uint16_t length);

/* Return the length of the program in memory, and one of its bytes. The CRC of PROTOCOL.md section 3 over all of them is 0, since the last
 * two are the CRC, high byte first, over those before. */
uint16_t hal_get_program_length(void);
uint8_t hal_read_program(uint16_t address);

/* --- interrupts --- */

/* Hold and release interrupts: for less than a conversion, not nested. */
void hal_hold_interrupts(void);
void hal_release_interrupts(void);

/* Sleeps until the next interrupt. If one came just before, sleeps on until the next conversion at the latest. */
void hal_idle(void);

#endif
