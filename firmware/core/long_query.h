/* Queries whose answers take longer than frames can wait: worked off in steps of at most 1 ms. */
#ifndef LONG_QUERY_H
#define LONG_QUERY_H

#include <stdbool.h>
#include <stdint.h>

/* Begin the reply with a line of the description (1 and up), with the description's check, with the self-test's result. Only while none is
 * running. */
void long_query_begin_line(uint8_t line);
void long_query_begin_check(void);
void long_query_begin_selftest(void);

/* Does the next step. Returns false if none is running. */
bool long_query_step(void);

/* Returns whether one is running: no other line may be executed meanwhile. */
bool long_query_is_running(void);

#endif
