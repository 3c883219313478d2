/* Where the converter's interrupt meets the rest: sampler_take_count() labels a sample by the scan plan, watches current and supply, and
 * fills frames in place. It has no division, no call and no loop, because it must end well within the 416 clocks of a conversion.
 *
 * The main loop touches `sampler` only between hal_hold_interrupts() and hal_release_interrupts(), or a single byte at a time.
 */
#ifndef SAMPLER_H
#define SAMPLER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "hal.h"
#include "wire.h"

/* A channel's number is its input of the converter. */
enum channel {
    CHANNEL_V_IN,
    CHANNEL_V_OUT,
    CHANNEL_V_DROP,
    CHANNEL_I_LOAD,
    CHANNEL_I_LOAD_LOW,
    CHANNEL_V_PILOT,
    CHANNEL_TEMPERATURE,
    CHANNEL_SELF_CHECK,
    CHANNELS,
};

enum {
    SAMPLER_SLOTS = 5,
    SAMPLER_SCANS = 64,
    SAMPLER_FRAMES = 3,
    SAMPLER_FULL_COUNT = 1023,
    SAMPLER_NO_COUNT = 0x7FFF,
    SAMPLER_FAST_CLOCKS = 416,
    SAMPLER_PRECISE_CLOCKS = 1664,
    /* Lengths of time are counted in scans of the fast mode, 130 us; a scan of the precise mode lasts four of them. */
    SAMPLER_PRECISE_SCAN = SAMPLER_PRECISE_CLOCKS / SAMPLER_FAST_CLOCKS,
    SAMPLER_FRESH = 4, /* conversions: longer than from the holding of a sample to its interrupt */
    SAMPLER_LONGEST_FULL = 240,
};
#define SAMPLER_LONGEST_OVER 65000u

struct sampler {
    /* The plan: what comes next. */
    uint8_t slot;
    uint8_t scan;
    uint8_t shared;

    /* The frame being filled: where the next byte goes, NULL when samples go nowhere, and how many samples are to come until the next
     * frame. */
    uint8_t *put;
    uint8_t left;
    uint8_t filling;
    uint8_t flags;
    /* Of the next frame's first sample, the low halves of its stamp and of the clock at which it will be held, and the clocks of a
     * frame. The interrupt would have to save twice the registers for whole ones. */
    uint16_t next_stamp;
    uint16_t next_clock;
    uint16_t frame_clocks;
    /* Frames that are full and not yet released: those before `filling`. */
    uint8_t full_frames;

    /* The board's state, and for SAMPLER_FRESH conversions its state before the change at the clock `changed` (low half). */
    struct board_state now;
    struct board_state before;
    uint16_t changed;
    uint8_t fresh;

    /* For how many fast scans without a break the current was at or above its level, and the supply at full count. Once they have
     * reached what is needed they stay there until they are forgotten. */
    int16_t over_high;
    int16_t over_low;
    int16_t over_narrow;
    bool narrow_is_over;
    uint8_t scan_time;
    uint16_t over_time;
    uint16_t over_needed;
    uint8_t full_time;
    uint8_t full_needed;

    uint16_t latest[CHANNELS];
};

extern struct sampler sampler;
extern uint8_t sampler_frames[SAMPLER_FRAMES][FRAME_SAMPLES_ROOM];

/* Returns the input of the last slot, which four channels share, in this scan of the plan (0..63). */
static inline uint8_t sampler_get_shared_input(uint8_t scan)
{
    if ((scan & 1) == 0) {
        return CHANNEL_I_LOAD_LOW;
    }
    return scan == 31 ? CHANNEL_TEMPERATURE : scan == 63 ? CHANNEL_SELF_CHECK : CHANNEL_V_PILOT;
}

/* Returns the input of sample n of a run, n below 5. */
static inline uint8_t sampler_get_input(uint8_t n)
{
    return n < SAMPLER_SLOTS - 1 ? n : sampler_get_shared_input(0);
}

/* Begins a frame with the sample that is about to be taken: its header, or nowhere to put it if no run is on or no frame is free. */
static inline void sampler_begin_frame(struct sampler *s, bool comparator)
{
    uint8_t loads = s->now.loads;
    uint8_t state = s->now.bits;

    s->left = FRAME_SAMPLES;
    s->put = NULL;
    /* The sample was held some 25 us ago: what was switched since then came after it. */
    if (s->fresh != 0 && (int16_t)(s->changed - s->next_clock) >= 0) {
        loads = s->before.loads;
        state = s->before.bits;
    }
    s->next_clock = (uint16_t)(s->next_clock + s->frame_clocks);
    uint16_t stamp = s->next_stamp;
    s->next_stamp = (uint16_t)(stamp + FRAME_SAMPLES);
    if ((state & STATE_SAMPLING) == 0) {
        return;
    }
    if (s->full_frames == SAMPLER_FRAMES) {
        s->flags = FLAG_SAMPLES_LOST;
        return;
    }
    uint8_t *frame = sampler_frames[s->filling];
    frame[AT_STAMP] = (uint8_t)stamp;
    frame[AT_STAMP + 1] = (uint8_t)(stamp >> 8);
    frame[AT_LOADS] = loads;
    frame[AT_STATE] = state;
    frame[AT_FLAGS] = (uint8_t)(s->flags | (comparator ? FLAG_COMPARATOR : 0));
    s->flags = 0;
    s->put = frame + AT_BODY;
}

/* Returns the input for the conversion after the next: in free-running mode the next one has begun with the input selected before. Called
 * before sampler_take_count(), so that it can be selected in time even where the interrupt comes late. */
static inline uint8_t sampler_get_input_ahead(void)
{
    const struct sampler *s = &sampler;
    uint8_t slot = s->slot;
    if (slot == 2) {
        return sampler_get_shared_input(s->scan);
    }
    slot = (uint8_t)(slot + 2);
    return slot >= SAMPLER_SLOTS ? (uint8_t)(slot - SAMPLER_SLOTS) : slot;
}

/* Takes the result of a conversion, 0..1023, with the comparator's level. Only from the converter's interrupt, once a conversion. */
static inline void sampler_take_count(uint16_t count, bool comparator)
{
    struct sampler *s = &sampler;

    if (s->left == 0) {
        sampler_begin_frame(s, comparator);
    }
    if (s->fresh != 0) {
        s->fresh--;
    }
    uint8_t left = (uint8_t)(s->left - 1);
    s->left = left;
    uint8_t *put = s->put;
    if (put != NULL) {
        uint8_t low = (uint8_t)count;
        uint8_t high = (uint8_t)(count >> 8);
        if (left & 1) {
            put[0] = low;
            put[1] = high;
            s->put = put + 1;
        } else {
            put[0] = (uint8_t)(put[0] | (low << 4));
            high = (uint8_t)(high << 4); /* in bytes: shifts of words are slow */
            low = (uint8_t)(low >> 4);
            put[1] = (uint8_t)(high | low);
            s->put = put + 2;
            if (left == 0) {
                s->filling = s->filling == SAMPLER_FRAMES - 1 ? 0 : (uint8_t)(s->filling + 1);
                s->full_frames++;
            }
        }
    }

    uint8_t slot = s->slot;
    s->slot = (uint8_t)(slot + 1);
    if (slot == 0) {
        s->latest[CHANNEL_V_IN] = count;
        if (count >= SAMPLER_FULL_COUNT) {
            if (s->full_time < SAMPLER_LONGEST_FULL) {
                s->full_time = (uint8_t)(s->full_time + s->scan_time);
            }
        } else if (s->full_time < s->full_needed) {
            s->full_time = 0;
        }
        return;
    }
    if (slot == 1) {
        s->latest[CHANNEL_V_OUT] = count;
        return;
    }
    if (slot == 2) {
        s->latest[CHANNEL_V_DROP] = count;
        s->shared = sampler_get_shared_input(s->scan);
        return;
    }
    if (slot == 3) {
        s->latest[CHANNEL_I_LOAD] = count;
        if (s->narrow_is_over || (int16_t)count >= s->over_high || (int16_t)count <= s->over_low) {
            if (s->over_time < SAMPLER_LONGEST_OVER) {
                s->over_time = (uint16_t)(s->over_time + s->scan_time);
            }
        } else if (s->over_time < s->over_needed) {
            s->over_time = 0;
        }
        return;
    }
    s->latest[s->shared] = count;
    if (s->shared == CHANNEL_I_LOAD_LOW) {
        s->narrow_is_over = (int16_t)count >= s->over_narrow;
    }
    s->slot = 0;
    s->scan = (uint8_t)((s->scan + 1) & (SAMPLER_SCANS - 1));
}

/* Starts plan and converter anew in the mode that `state` names, and makes `state` the board's. `stamp` is the low half of sample 0's.
 * Returns the clock (hal_read_clock) at which sample 0 is held. Full frames stay. */
uint32_t sampler_start(struct board_state state, uint16_t stamp);

/* Reads the clock to *clock. Returns the low half of the stamp behind all conversions that had ended by then, or of one more: one that is
 * just about to be taken counts as taken. */
uint16_t sampler_read_next_stamp(uint32_t *clock);

/* Makes good that so many conversions were never taken: goes on where the converter is, and gives up the frame being filled and all full
 * frames but the oldest `kept`; the next frame says that samples were lost. Returns false, and does nothing, just before a frame begins,
 * since two more samples are of wrong inputs: to be called again then. */
bool sampler_skip(uint16_t conversions, uint8_t kept);

/* Ends a run: samples go nowhere from now on, and `state` is the board's. Returns the low half of the stamp of the first sample that was
 * not taken. */
uint16_t sampler_stop(struct board_state state);

/* Makes `state` the board's. Returns the clock (hal_read_clock) of that instant. */
uint32_t sampler_change_state(struct board_state state);

/* Set what is too much current: at least `high` or at most `low` counts of i_load, or at least `narrow` counts of i_load_low, for `time`
 * fast scans (130 us each). */
void sampler_set_level(int16_t high, int16_t low, int16_t narrow);
void sampler_set_delay(uint16_t time);

/* Return whether the current was too large for its delay, the supply at full count for 10 ms. It stays so until sampler_forget_excess(). */
bool sampler_current_is_over(void);
bool sampler_supply_is_over(void);

/* Return whether they are so in the latest scan. */
bool sampler_current_is_high(void);
bool sampler_supply_is_high(void);

/* Starts the times of both excesses anew. */
void sampler_forget_excess(void);

/* Returns the latest count of a channel; SAMPLER_NO_COUNT if there was none since sampler_forget_latest(). */
uint16_t sampler_get_latest(enum channel channel);
void sampler_forget_latest(void);

/* Returns the k-th of the full frames, 0 the oldest, or NULL if there are not so many. It stays as it is until it is released. */
uint8_t *sampler_get_full_frame(uint8_t k);

/* Lets the oldest full frame be filled anew. Only if there is one. */
void sampler_release_frame(void);

#endif
