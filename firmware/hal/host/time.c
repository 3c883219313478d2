/* The clock: time passes only in calls of the hardware and in host_spend_clocks(), and moves the parts that do something by themselves. */
#include "parts.h"

#include <stdio.h>
#include <stdlib.h>

enum { PARTS = 3 };

static uint64_t now;
static const struct part *parts[PARTS];
static uint8_t part_count;

void time_stop(const char *what)
{
    fprintf(stderr, "a rule of hal.h or of the test is broken: %s\n", what);
    abort();
}

void time_add_part(const struct part *part)
{
    if (part_count == PARTS) {
        time_stop("too many parts");
    }
    parts[part_count++] = part;
}

static void move_parts(void)
{
    for (uint8_t k = 0; k < part_count; k++) {
        parts[k]->move();
    }
}

/* The clock at which something is due, this one at the earliest and `limit` at the latest. */
static uint64_t next_clock(uint64_t limit)
{
    uint64_t next = limit;
    for (uint8_t k = 0; k < part_count; k++) {
        uint64_t due = parts[k]->get_next();
        next = due < next ? due : next;
    }
    return next > now ? next : now;
}

void host_spend_clocks(uint64_t clocks)
{
    uint64_t until = now + clocks;
    move_parts();
    while (now < until) {
        now = next_clock(until);
        move_parts();
    }
}

void time_wait(uint64_t clocks)
{
    host_spend_clocks(next_clock(now + clocks) - now);
}

uint64_t host_read_clock(void)
{
    return now;
}

uint32_t hal_read_clock(void)
{
    host_spend_clocks(CALL);
    return (uint32_t)now;
}

uint32_t hal_read_milliseconds(void)
{
    host_spend_clocks(CALL);
    return (uint32_t)(now / HOST_CLOCKS_PER_MS);
}
