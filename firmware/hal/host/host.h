/* The fake hardware that hal/host links to the core: time under the test's control, and what may happen in it. Times are periods of the
 * 16 MHz clock. */
#ifndef HOST_H
#define HOST_H

#include <stdbool.h>
#include <stdint.h>

#include "hal.h"

enum { HOST_STORE = 1024, HOST_CLOCKS_PER_BYTE = 160, HOST_CLOCKS_PER_MS = 16000 };

/* What can be made to happen, and what its numbers say. */
enum host_mishap {
    HOST_CHANNEL,    /* a: input, b: its count from now on */
    HOST_COMPARATOR, /* a: level */
    HOST_MISS,       /* a: so many interrupts of the converter do not come */
    HOST_LATCH,      /* a: whether the cause of the hardware latch is there; the latch is set with it, and can be cleared without it */
};

/* Make it happen now, or at a clock to come. */
void host_apply_mishap(enum host_mishap kind, uint16_t a, uint16_t b);
void host_schedule_mishap(uint64_t clock, enum host_mishap kind, uint16_t a, uint16_t b);

/* Powers the hardware up for a start of this cause; `kept` is the byte that survived it. Once, before board_begin(). */
void host_reset(enum hal_reset cause, uint8_t kept);

/* The memory that survives power-down. */
extern uint8_t host_store[HOST_STORE];

/* Lets time pass; interrupts come unless they are held. */
void host_spend_clocks(uint64_t clocks);

/* Returns the clock. */
uint64_t host_read_clock(void);

/* Sends a byte to the board's receiver behind those sent before, or has it lost in it. */
void host_receive_byte(uint8_t byte);
void host_lose_byte(void);

/* Called for each byte that has left the board, and after each change of the switches. To be set before the start. */
extern void (*host_sent)(uint8_t byte);
extern void (*host_switched)(uint64_t clock, bool master, uint8_t loads);

/* After so many more bytes written to the memory the power fails in the middle of the next one, and host_power_failed is called, which must
 * not return. */
extern uint32_t host_writes_left;
extern void (*host_power_failed)(void);

/* The program reads wrong at this address; beyond its end, nowhere. */
extern uint16_t host_flipped_byte;

/* Returns the voltage range selected. */
uint8_t host_get_range(void);

/* Returns the longest time between two feedings of the watchdog. */
uint64_t host_get_longest_unfed(void);

#endif
