/* What a test makes happen, now or at a clock to come. */
#include "parts.h"

#include <string.h>

enum { MISHAPS = 4096 };

static struct {
    uint64_t clock;
    enum host_mishap kind;
    uint16_t a;
    uint16_t b;
} mishaps[MISHAPS];
static uint32_t count;

void host_apply_mishap(enum host_mishap kind, uint16_t a, uint16_t b)
{
    switch (kind) {
    case HOST_CHANNEL:
        converter_set_count(a, b);
        break;
    case HOST_COMPARATOR:
        comparator_set(a != 0);
        break;
    case HOST_MISS:
        converter_miss(a);
        break;
    case HOST_LATCH:
        latch_set_cause(a != 0);
        break;
    }
}

void host_schedule_mishap(uint64_t clock, enum host_mishap kind, uint16_t a, uint16_t b)
{
    if (count == MISHAPS) {
        time_stop("too many mishaps are scheduled");
    }
    uint32_t at = count++;
    while (at > 0 && mishaps[at - 1].clock > clock) {
        mishaps[at] = mishaps[at - 1];
        at--;
    }
    mishaps[at].clock = clock;
    mishaps[at].kind = kind;
    mishaps[at].a = a;
    mishaps[at].b = b;
}

static uint64_t get_next(void)
{
    return count != 0 ? mishaps[0].clock : UINT64_MAX;
}

static void move(void)
{
    while (count != 0 && mishaps[0].clock <= host_read_clock()) {
        host_apply_mishap(mishaps[0].kind, mishaps[0].a, mishaps[0].b);
        count--;
        memmove(mishaps, mishaps + 1, count * sizeof mishaps[0]);
    }
}

void mishaps_begin(void)
{
    static const struct part part = {get_next, move};
    time_add_part(&part);
}
