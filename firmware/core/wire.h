/* Numbers of the protocol (PROTOCOL.md): sizes, types, events, causes, bits. */
#ifndef WIRE_H
#define WIRE_H

#include <stdint.h>

enum { LINE_LONGEST = 80, FRAME_SAMPLES = 160 };

/* A frame is built where it will be sent from. Places in the buffer: a zero byte that is sent only if one is due before the frame, the
 * stuffing's code byte, header, body, CRC, and the zero byte at the end. */
enum {
    AT_ZERO,
    AT_CODE,
    AT_TYPE,
    AT_SEQUENCE,
    AT_STAMP,
    AT_LOADS = AT_STAMP + 4,
    AT_STATE,
    AT_FLAGS,
    AT_EDGES,
    AT_BODY,
    FRAME_HEADER = AT_BODY - AT_TYPE,
    FRAME_SAMPLES_BODY = FRAME_SAMPLES * 3 / 2,
    FRAME_EVENT_BODY = 6,
    FRAME_SAMPLES_ROOM = AT_BODY + FRAME_SAMPLES_BODY + 3,
    FRAME_EVENT_ROOM = AT_BODY + FRAME_EVENT_BODY + 3,
};

enum frame_type { TYPE_SAMPLES = 1, TYPE_EVENT = 2 };

enum { FLAG_SAMPLES_LOST = 0x01, FLAG_LINE_LOST = 0x02, FLAG_COMPARATOR = 0x04 };

enum {
    STATE_MASTER = 0x01,
    STATE_TRIPPED = 0x02,
    STATE_RANGE = 0x0C,
    STATE_RANGE_ONE = 0x04,
    STATE_PRECISE = 0x10,
    STATE_SAMPLING = 0x20,
    STATE_RUN_ONE = 0x40,
};

enum event_kind { EVENT_SWITCHED = 1, EVENT_BURST = 2, EVENT_TRIP = 3, EVENT_STOPPED = 4, EVENT_STARTED = 5 };

enum trip_cause { TRIP_NONE, TRIP_CURRENT, TRIP_LATCH, TRIP_SILENCE, TRIP_TIME, TRIP_SUPPLY };

/* The board's state as a header says it: loads closed (bit n-1 for load n), and STATE_ bits. */
struct board_state {
    uint8_t loads;
    uint8_t bits;
};

/* When something was: the stamp of the sample before it, and periods of the clock since that sample was held. */
struct moment {
    uint32_t stamp;
    uint16_t ticks;
};

#endif
