/* What the parts of the fake hardware know of each other. A part that does something by itself is moved by time.c. */
#ifndef HOST_PARTS_H
#define HOST_PARTS_H

#include <stdbool.h>
#include <stdint.h>

#include "hal.h"
#include "host.h"

/* Clocks that a call of the hardware takes, so that interrupts come in the middle of everything. */
enum { CALL = 8 };

/* get_next: the clock at which it next does something, UINT64_MAX for never. move: does what is due at this clock or before. */
struct part {
    uint64_t (*get_next)(void);
    void (*move)(void);
};

/* time.c: parts move in the order in which they were added, at most three. Lets time pass until something is due, at most so many clocks.
 */
void time_add_part(const struct part *part);
void time_wait(uint64_t clocks);

/* Ends the program with what broke a rule; never returns. */
void time_stop(const char *what);

/* converter.c, serial.c, mishaps.c: add themselves to time.c. Once, at the start, mishaps first. */
void mishaps_begin(void);
void converter_begin(void);
void serial_begin(void);

/* converter.c: the input reads this count from now on; so many interrupts do not come. */
void converter_set_count(uint16_t input, uint16_t count);
void converter_miss(uint16_t interrupts);

/* comparator.c */
void comparator_set(bool is_high);
bool comparator_get(void);

/* switches.c: whether the cause of the latch is there. */
void latch_set_cause(bool is_there);

#endif
