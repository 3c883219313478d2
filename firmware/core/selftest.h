/* *TST?, in steps. */
#ifndef SELFTEST_H
#define SELFTEST_H

#include <stdbool.h>
#include <stdint.h>

enum { SELFTEST_CHECK = 1, SELFTEST_STUCK = 2, SELFTEST_PROGRAM = 4, SELFTEST_STORED = 8 };

void selftest_begin(void);

/* True while there is more to do. */
bool selftest_step(void);

/* The sum of what was found. */
uint8_t selftest_result(void);

#endif
