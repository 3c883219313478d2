#include "events.h"

#include <stddef.h>

#include "hal.h"
#include "state.h"

enum { QUEUE = 8 };

static struct event events[QUEUE];
static uint8_t first;
static uint8_t count;

void events_add(enum event_kind kind, uint8_t reason, uint16_t value, struct moment moment)
{
    if (count == QUEUE) {
        return;
    }
    events[(first + count) % QUEUE] = (struct event){
        .moment = moment, .board = state_get(), .value = value, .kind = kind, .reason = reason, .comparator = hal_comparator_is_high()};
    count++;
}

const struct event *events_get_oldest(void)
{
    return count == 0 ? NULL : &events[first];
}

void events_remove_oldest(void)
{
    first = (uint8_t)((first + 1) % QUEUE);
    count--;
}

bool events_have_room(void)
{
    return count + EVENTS_SPARE <= QUEUE;
}

bool events_hold_end_of_run(void)
{
    for (uint8_t k = 0; k < count; k++) {
        if (events[(first + k) % QUEUE].kind == EVENT_STOPPED) {
            return true;
        }
    }
    return false;
}
