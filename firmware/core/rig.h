/* The reference rig as its description states it (PROTOCOL.md section 8): tables in program memory. */
#ifndef RIG_H
#define RIG_H

#include <stdint.h>

#include "rom.h"
#include "sampler.h"

#define RIG_MODEL "rig-328"
#define RIG_FIRMWARE "1.0"
#define RIG_CLOCK_HZ 16000000ul
#define RIG_CLOCK_HALF_WIDTH 0.005f

enum { RIG_RANGES = 10, RIG_LOADS = 8, RIG_LIMITS = 4, RIG_VOLTAGE_RANGES = 2 };

/* The first range of a channel in rig_ranges. */
enum rig_range_place { RANGE_V_IN = 0, RANGE_I_LOAD = 5, RANGE_I_LOAD_LOW = 6, RANGE_SELF_CHECK = 9 };

enum rig_limit_place { LIMIT_LEVEL, LIMIT_DELAY, LIMIT_TIME, LIMIT_SILENCE };

/* slot, first, every: the place in the scan plan. */
struct rig_channel {
    char name[12];
    char unit[5];
    uint8_t slot;
    uint8_t first;
    uint8_t every;
    float delay_s;
};

/* zero in counts; scale in the channel's unit per count; u_scale relative; the others in the channel's unit. */
struct rig_range {
    uint8_t channel;
    uint8_t number;
    float zero;
    float scale;
    float low;
    float high;
    float u_scale;
    float u_zero;
    float u_line;
    float noise;
};

/* nominal: in W, of LEAK in ohm. */
struct rig_load {
    char kind[6];
    float nominal;
};

/* A setting of protection: its limits and its default, the level in A, the others in s. */
struct rig_limit {
    char name[6];
    float low;
    float high;
    float standard;
};

extern const ROM struct rig_channel rig_channels[CHANNELS];
extern const ROM struct rig_range rig_ranges[RIG_RANGES];
extern const ROM struct rig_load rig_loads[RIG_LOADS];
extern const ROM struct rig_limit rig_limits[RIG_LIMITS];

/* The self-check channel's reading and its standard uncertainty. */
#define RIG_CHECK_V 3.84f
#define RIG_CHECK_U_V 0.0002f

/* The part of v_in by which v_drop may be off, k = 1. */
#define RIG_COMMON_U 0.00105f

/* From the supply's terminals to the lamps, unit shorted: 0.10 +- 0.01 ohm (firmware/rig/WIRING.md), rectangular. */
#define RIG_LOOP_OHM 0.1f
#define RIG_LOOP_U_OHM 0.006f

#define RIG_NTC_SERIES_OHM 10000.0f
#define RIG_NTC_R25_OHM 10000.0f
#define RIG_NTC_B_K 3950.0f

#endif
