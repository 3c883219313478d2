#include "uplink.h"

#include <stddef.h>
#include <stdint.h>

#include "edges.h"
#include "events.h"
#include "frame.h"
#include "hal.h"
#include "reply.h"
#include "run.h"
#include "sampler.h"
#include "wire.h"

/* A frame is made ready while the one before it is still on its way; it then goes before any other, since it has its sequence number. */
enum thing { NOTHING, REPLY, EVENT, SAMPLES };

static uint8_t event_frame[FRAME_EVENT_ROOM];

static enum thing sending;
static enum thing ready;
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

void uplink_begin_run(void)
{
    zero_is_due = true;
    last_stamp = run_first_stamp;
}

void uplink_lose_line(void)
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

static void make_ready(enum thing thing, uint8_t *frame, enum frame_type type, uint8_t body)
{
    frame[AT_TYPE] = (uint8_t)type;
    frame[AT_SEQUENCE] = sequence++;
    frame[AT_EDGES] = edges_take();
    if (line_is_lost) {
        frame[AT_FLAGS] |= FLAG_LINE_LOST;
        line_is_lost = false;
    }
    ready = thing;
    ready_frame = frame;
    ready_length = frame_finish(frame, (uint8_t)(FRAME_HEADER + body));
}

static void make_event_ready(const struct event *event)
{
    put_stamp(event_frame, event->moment.stamp);
    event_frame[AT_LOADS] = event->stand.loads;
    event_frame[AT_STATE] = event->stand.state;
    event_frame[AT_FLAGS] = event->comparator ? FLAG_COMPARATOR : 0;
    uint8_t *body = event_frame + AT_BODY;
    body[0] = event->kind;
    body[1] = event->reason;
    body[2] = (uint8_t)event->moment.ticks;
    body[3] = (uint8_t)(event->moment.ticks >> 8);
    body[4] = (uint8_t)event->value;
    body[5] = (uint8_t)(event->value >> 8);
    events_remove();
    make_ready(EVENT, event_frame, TYPE_EVENT, FRAME_EVENT_BODY);
}

/* The interrupt has written the low half of the stamp; frames of a run follow each other by less than a whole one. */
static void make_samples_ready(uint8_t *frame)
{
    uint16_t low = (uint16_t)(frame[AT_STAMP] | (uint16_t)frame[AT_STAMP + 1] << 8);
    last_stamp += (uint16_t)(low - (uint16_t)last_stamp);
    put_stamp(frame, last_stamp);
    make_ready(SAMPLES, frame, TYPE_SAMPLES, FRAME_SAMPLES_BODY);
}

/* The end of a run comes behind its frames. */
static bool make_frame_ready(void)
{
    uint8_t kept = sending == SAMPLES ? 1 : 0;
    uint8_t *frame = sampler_full_frame(kept);
    const struct event *event = events_first();
    if (event != NULL && sending != EVENT && (event->kind != EVENT_STOPPED || frame == NULL)) {
        make_event_ready(event);
        return true;
    }
    if (frame == NULL || !run_is_in_step(kept)) {
        return false;
    }
    make_samples_ready(frame);
    return true;
}

static void finish_sending(void)
{
    if (sending == SAMPLES) {
        sampler_release_frame();
    } else if (sending == REPLY) {
        reply_forget();
        zero_is_due = true;
    }
    sending = NOTHING;
}

static void send_frame(void)
{
    uint8_t *from = ready_frame + AT_CODE;
    if (zero_is_due) {
        from = ready_frame + AT_ZERO;
        ready_length++;
        zero_is_due = false;
    }
    hal_serial_send(from, ready_length);
    sending = ready;
    ready = NOTHING;
}

bool uplink_step(void)
{
    if (!hal_serial_is_idle()) {
        return ready == NOTHING && make_frame_ready();
    }
    finish_sending();
    /* First, or it would wait for ever where a frame is always ready by the time the one before it is through. */
    if (reply_is_ready()) {
        uint8_t length;
        const uint8_t *bytes = reply_bytes(&length);
        hal_serial_send(bytes, length);
        sending = REPLY;
        return true;
    }
    if (ready != NOTHING) {
        send_frame();
        return true;
    }
    return make_frame_ready();
}

bool uplink_is_behind(void)
{
    return ready != NOTHING || events_first() != NULL || sampler_full_frame(sending == SAMPLES ? 1 : 0) != NULL;
}
