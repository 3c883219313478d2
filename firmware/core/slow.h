/* Queries whose answers take longer than other things may wait: done in steps of a millisecond at most. */
#ifndef SLOW_H
#define SLOW_H

#include <stdbool.h>
#include <stdint.h>

/* A line of the description (1 and up); its check; the self-test. Only if none is under way. */
void slow_begin_line(uint8_t line);
void slow_begin_check(void);
void slow_begin_test(void);

/* Goes on with it. False if there is nothing to go on with. */
bool slow_step(void);

/* Whether one is under way: no line may be obeyed meanwhile. */
bool slow_is_under_way(void);

#endif
