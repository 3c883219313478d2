#include "sampler.h"

/* 10 ms in fast scans of 130 us. */
enum { SUPPLY_TIME = 78 };

/* Conversions whose inputs were selected before the plan was put right. */
enum { WRONG_INPUTS = 2 };

struct sampler sampler = {
    .over_high = INT16_MAX,
    .over_low = -1,
    .over_narrow = INT16_MAX,
    .over_needed = SAMPLER_LONGEST_OVER,
    .full_needed = SUPPLY_TIME,
};
uint8_t sampler_frames[SAMPLER_FRAMES][FRAME_SAMPLES_ROOM];

uint32_t sampler_start(struct board_state state, uint16_t stamp)
{
    bool precise = (state.bits & STATE_PRECISE) != 0;
    hal_hold_interrupts();
    sampler.slot = 0;
    sampler.scan = 0;
    sampler.put = NULL;
    sampler.left = 0;
    sampler.flags = 0;
    sampler.next_stamp = stamp;
    sampler.frame_clocks = (uint16_t)((uint32_t)FRAME_SAMPLES * (precise ? SAMPLER_PRECISE_CLOCKS : SAMPLER_FAST_CLOCKS));
    sampler.now = state;
    sampler.fresh = 0;
    sampler.scan_time = precise ? SAMPLER_PRECISE_SCAN : 1;
    uint32_t clock = hal_start_converter(precise ? HAL_PRECISE : HAL_FAST);
    sampler.next_clock = (uint16_t)clock;
    hal_release_interrupts();
    return clock;
}

uint16_t sampler_read_next_stamp(uint32_t *clock)
{
    hal_hold_interrupts();
    *clock = hal_read_clock();
    uint16_t stamp = (uint16_t)(sampler.next_stamp - sampler.left + hal_converter_has_ended());
    hal_release_interrupts();
    return stamp;
}

bool sampler_skip(uint16_t conversions, uint8_t kept)
{
    /* Divisions would hold interrupts for longer than a conversion takes. */
    uint8_t samples = (uint8_t)(conversions % FRAME_SAMPLES);
    uint8_t frames = (uint8_t)(conversions / FRAME_SAMPLES);
    uint8_t slots = samples % SAMPLER_SLOTS;
    uint8_t scans = (uint8_t)(samples / SAMPLER_SLOTS + frames * (FRAME_SAMPLES / SAMPLER_SLOTS));
    hal_hold_interrupts();
    uint8_t left = (uint8_t)(sampler.left - samples);
    if (samples > sampler.left) {
        left = (uint8_t)(left + FRAME_SAMPLES);
        frames++;
    }
    bool is_possible = left > WRONG_INPUTS;
    if (is_possible) {
        sampler.slot = (uint8_t)(sampler.slot + slots);
        if (sampler.slot >= SAMPLER_SLOTS) {
            sampler.slot = (uint8_t)(sampler.slot - SAMPLER_SLOTS);
            scans++;
        }
        sampler.scan = (uint8_t)((sampler.scan + scans) & (SAMPLER_SCANS - 1));
        sampler.left = left;
        sampler.next_stamp = (uint16_t)(sampler.next_stamp + frames * FRAME_SAMPLES);
        sampler.next_clock = (uint16_t)(sampler.next_clock + (uint32_t)frames * sampler.frame_clocks);
        sampler.put = NULL;
        sampler.flags = FLAG_SAMPLES_LOST;
        for (; sampler.full_frames > kept; sampler.full_frames--) {
            sampler.filling = sampler.filling == 0 ? SAMPLER_FRAMES - 1 : (uint8_t)(sampler.filling - 1);
        }
    }
    hal_release_interrupts();
    return is_possible;
}

uint16_t sampler_stop(struct board_state state)
{
    hal_hold_interrupts();
    uint16_t stamp = (uint16_t)(sampler.next_stamp - sampler.left);
    sampler.put = NULL;
    sampler.now = state;
    sampler.fresh = 0;
    hal_release_interrupts();
    return stamp;
}

uint32_t sampler_change_state(struct board_state state)
{
    hal_hold_interrupts();
    uint32_t clock = hal_read_clock();
    sampler.before = sampler.now;
    sampler.now = state;
    sampler.changed = (uint16_t)clock;
    sampler.fresh = SAMPLER_FRESH;
    hal_release_interrupts();
    return clock;
}

void sampler_set_level(int16_t high, int16_t low, int16_t narrow)
{
    hal_hold_interrupts();
    sampler.over_high = high;
    sampler.over_low = low;
    sampler.over_narrow = narrow;
    hal_release_interrupts();
}

void sampler_set_delay(uint16_t time)
{
    hal_hold_interrupts();
    sampler.over_needed = time;
    hal_release_interrupts();
}

bool sampler_current_is_over(void)
{
    hal_hold_interrupts();
    bool is_over = sampler.over_time >= sampler.over_needed;
    hal_release_interrupts();
    return is_over;
}

bool sampler_supply_is_over(void)
{
    return sampler.full_time >= sampler.full_needed;
}

bool sampler_current_is_high(void)
{
    int16_t wide = (int16_t)sampler_get_latest(CHANNEL_I_LOAD);
    return wide >= sampler.over_high || wide <= sampler.over_low || (int16_t)sampler_get_latest(CHANNEL_I_LOAD_LOW) >= sampler.over_narrow;
}

bool sampler_supply_is_high(void)
{
    return sampler_get_latest(CHANNEL_V_IN) >= SAMPLER_FULL_COUNT;
}

void sampler_forget_excess(void)
{
    hal_hold_interrupts();
    sampler.over_time = 0;
    sampler.full_time = 0;
    hal_release_interrupts();
}

uint16_t sampler_get_latest(enum channel channel)
{
    hal_hold_interrupts();
    uint16_t count = sampler.latest[channel];
    hal_release_interrupts();
    return count;
}

void sampler_forget_latest(void)
{
    hal_hold_interrupts();
    for (uint8_t channel = 0; channel < CHANNELS; channel++) {
        sampler.latest[channel] = SAMPLER_NO_COUNT;
    }
    hal_release_interrupts();
}

uint8_t *sampler_get_full_frame(uint8_t k)
{
    hal_hold_interrupts();
    uint8_t full = sampler.full_frames;
    uint8_t at = (uint8_t)(sampler.filling + SAMPLER_FRAMES - full + k);
    hal_release_interrupts();
    return k < full ? sampler_frames[at % SAMPLER_FRAMES] : NULL;
}

void sampler_release_frame(void)
{
    hal_hold_interrupts();
    sampler.full_frames--;
    hal_release_interrupts();
}
