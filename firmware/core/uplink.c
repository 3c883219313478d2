#include "uplink.h"

#include <stddef.h>
#include <stdint.h>

#include "edges.h"
#include "events.h"
#include "frame.h"
#include "hal.h"
#include "reply.h"
#include "sampler.h"
#include "timebase.h"
#include "wire.h"

/* A frame is made ready while the one before it is still on its way. It then goes before any other item, since its sequence number is
 * given. */
enum uplink_item { ITEM_NONE, ITEM_REPLY, ITEM_EVENT, ITEM_SAMPLES };

static uint8_t event_frame[FRAME_EVENT_ROOM];

static enum uplink_item sending;
static enum uplink_item ready;
static uint8_t *ready_frame;
static uint8_t ready_length;

static uint8_t sequence;
static bool zero_is_due;
static bool line_is_lost;
static uint32_t last_stamp;

void uplink_begin(void)
{
    zero_is_due = true;
}

void uplink_begin_run(uint32_t first_stamp)
{
    zero_is_due = true;
    last_stamp = first_stamp;
}

void uplink_report_lost_line(void)
{
    line_is_lost = true;
}

static void put_stamp(uint8_t *frame, uint32_t stamp)
{
    frame[AT_STAMP] = (uint8_t)stamp;
    frame[AT_STAMP + 1] = (uint8_t)(stamp >> 8);
    frame[AT_STAMP + 2] = (uint8_t)(stamp >> 16);
    frame[AT_STAMP + 3] = (uint8_t)(stamp >> 24);
}

static void make_ready(enum uplink_item item, uint8_t *frame, enum frame_type type, uint8_t body)
{
    frame[AT_TYPE] = (uint8_t)type;
    frame[AT_SEQUENCE] = sequence++;
    frame[AT_EDGES] = edges_take_count();
    if (line_is_lost) {
        frame[AT_FLAGS] |= FLAG_LINE_LOST;
        line_is_lost = false;
    }
    ready = item;
    ready_frame = frame;
    ready_length = frame_finish(frame, (uint8_t)(FRAME_HEADER + body));
}

static void make_event_ready(const struct event *event)
{
    put_stamp(event_frame, event->moment.stamp);
    event_frame[AT_LOADS] = event->board.loads;
    event_frame[AT_STATE] = event->board.bits;
    event_frame[AT_FLAGS] = event->comparator ? FLAG_COMPARATOR : 0;
    uint8_t *body = event_frame + AT_BODY;
    body[0] = event->kind;
    body[1] = event->reason;
    body[2] = (uint8_t)event->moment.ticks;
    body[3] = (uint8_t)(event->moment.ticks >> 8);
    body[4] = (uint8_t)event->value;
    body[5] = (uint8_t)(event->value >> 8);
    events_remove_oldest();
    make_ready(ITEM_EVENT, event_frame, TYPE_EVENT, FRAME_EVENT_BODY);
}

/* The interrupt has written the low half of the stamp. Frames of a run follow each other by less than 2^16 samples, so that is enough. */
static void make_samples_ready(uint8_t *frame)
{
    uint16_t low = (uint16_t)(frame[AT_STAMP] | (uint16_t)frame[AT_STAMP + 1] << 8);
    last_stamp += (uint16_t)(low - (uint16_t)last_stamp);
    put_stamp(frame, last_stamp);
    make_ready(ITEM_SAMPLES, frame, TYPE_SAMPLES, FRAME_SAMPLES_BODY);
}

/* Makes the next frame ready, if any: events first, but the end of a run behind its frames. */
static bool make_frame_ready(void)
{
    uint8_t kept = sending == ITEM_SAMPLES ? 1 : 0;
    uint8_t *frame = sampler_get_full_frame(kept);
    const struct event *event = events_get_oldest();
    if (event != NULL && sending != ITEM_EVENT && (event->kind != EVENT_STOPPED || frame == NULL)) {
        make_event_ready(event);
        return true;
    }
    if (frame == NULL || !timebase_keep_step(kept)) {
        return false;
    }
    make_samples_ready(frame);
    return true;
}

static void finish_sending(void)
{
    if (sending == ITEM_SAMPLES) {
        sampler_release_frame();
    } else if (sending == ITEM_REPLY) {
        reply_forget();
        zero_is_due = true;
    }
    sending = ITEM_NONE;
}

static void send_frame(void)
{
    uint8_t *from = ready_frame + AT_CODE;
    if (zero_is_due) {
        from = ready_frame + AT_ZERO;
        ready_length++;
        zero_is_due = false;
    }
    hal_send_serial(from, ready_length);
    sending = ready;
    ready = ITEM_NONE;
}

bool uplink_step(void)
{
    if (!hal_serial_is_idle()) {
        return ready == ITEM_NONE && make_frame_ready();
    }
    finish_sending();
    /* A reply goes first, or it would never go while a frame is always ready by the time the one before it is sent. */
    if (reply_is_ready()) {
        uint8_t length;
        const uint8_t *bytes = reply_get_bytes(&length);
        hal_send_serial(bytes, length);
        sending = ITEM_REPLY;
        return true;
    }
    if (ready != ITEM_NONE) {
        send_frame();
        return true;
    }
    return make_frame_ready();
}

bool uplink_has_backlog(void)
{
    return ready != ITEM_NONE || events_get_oldest() != NULL || sampler_get_full_frame(sending == ITEM_SAMPLES ? 1 : 0) != NULL;
}
