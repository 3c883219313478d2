/* The queue of events that wait for the serial line. */
#ifndef EVENTS_H
#define EVENTS_H

#include <stdbool.h>
#include <stdint.h>

#include "wire.h"

/* How many can come while one line is executed: two by `*RST`, a trip, the end of a burst. */
enum { EVENTS_SPARE = 4 };

/* `value` and `reason` by kind as in PROTOCOL.md section 3; `comparator` and `board` as they were when the event was queued. */
struct event {
    struct moment moment;
    struct board_state board;
    uint16_t value;
    uint8_t kind;
    uint8_t reason;
    bool comparator;
};

/* Queues an event of this moment, with the board's state as it is now. A full queue drops it: the downlink executes nothing while
 * events_have_room() is false. */
void events_add(enum event_kind kind, uint8_t reason, uint16_t value, struct moment moment);

/* Returns the oldest event, or NULL. It stays valid until events_remove_oldest(). */
const struct event *events_get_oldest(void);

/* Removes the oldest event. Only if there is one. */
void events_remove_oldest(void);

/* Returns whether EVENTS_SPARE more can come without one being lost. */
bool events_have_room(void);

/* Returns whether the end of a run is still among them. */
bool events_hold_end_of_run(void);

#endif
