/* Events wait here for the serial line. */
#ifndef EVENTS_H
#define EVENTS_H

#include <stdbool.h>
#include <stdint.h>

#include "wire.h"

/* What can come while a line is obeyed: two by `*RST`, a trip, a burst that is over. */
enum { EVENTS_SPARE = 4 };

struct event {
    struct moment moment;
    struct stand stand;
    uint16_t value;
    uint8_t kind;
    uint8_t reason;
    bool comparator;
};

/* Queues an event of this moment; the board stands as it does now. */
void events_add(enum event_kind kind, uint8_t reason, uint16_t value, struct moment moment);

/* The oldest event, or NULL; events_remove() when it has been taken. */
const struct event *events_first(void);
void events_remove(void);

/* Whether EVENTS_SPARE more can come without one being lost. */
bool events_have_room(void);

/* Whether the end of a run is still among them. */
bool events_hold_end_of_run(void);

#endif
