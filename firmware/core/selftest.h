/* The self-test (*TST?), in steps of at most 1 ms. */
#ifndef SELFTEST_H
#define SELFTEST_H

#include <stdbool.h>
#include <stdint.h>

/* Bits of the result (PROTOCOL.md section 2). */
enum { SELFTEST_CHECK = 1, SELFTEST_STUCK = 2, SELFTEST_PROGRAM = 4, SELFTEST_STORED = 8 };

/* Starts it. Only while no run is on. */
void selftest_begin(void);

/* Does the next step. Returns whether there is more to do. */
bool selftest_step(void);

/* Returns the sum of the bits found; 0 if all is OK. Only after the last step. */
uint8_t selftest_get_result(void);

#endif
