/* The hardware that hal/host imitates: time under the test's control, and what may happen in it. Times are periods of the 16 MHz clock. */
#ifndef HOST_H
#define HOST_H

#include <stdbool.h>
#include <stdint.h>

#include "hal.h"

enum { HOST_STORE = 1024, HOST_CLOCKS_PER_BYTE = 160, HOST_CLOCKS_PER_MS = 16000 };

/* What can be made to happen. */
enum host_kind {
    HOST_CHANNEL,    /* a: input, b: its count from now on */
    HOST_COMPARATOR, /* a: level */
    HOST_MISS,       /* a: so many interrupts of the converter do not come */
    HOST_LATCH,      /* a: whether the cause of the hardware latch is there; the latch is set with it, and can be cleared without it */
};

/* Now, or at a clock to come. */
void host_happen(enum host_kind kind, uint16_t a, uint16_t b);
void host_happen_at(uint64_t clock, enum host_kind kind, uint16_t a, uint16_t b);

/* Before board_begin(). */
void host_reset(enum hal_reset cause, uint8_t kept);
extern uint8_t host_store[HOST_STORE];

/* Time passes; interrupts come unless they are held. */
void host_spend(uint64_t clocks);
uint64_t host_now(void);

/* A byte comes up to the board's receiver after those sent before; or is lost in it. */
void host_receive(uint8_t byte);
void host_lose(void);

/* Called for each byte that has left the board, and after each change of the switches. */
extern void (*host_sent)(uint8_t byte);
extern void (*host_switched)(uint64_t clock, bool master, uint8_t loads);

/* After so many more bytes written into the memory the power fails in the middle of the next one, and this is called. It must not
 * return. */
extern uint32_t host_writes_left;
extern void (*host_power_failed)(void);

/* The next reading of the program differs in this byte; no byte if it is beyond the end. */
extern uint16_t host_flipped_byte;

/* The voltage range selected, and the longest time between two feedings of the watchdog. */
uint8_t host_range(void);
uint64_t host_longest_unfed(void);

#endif
