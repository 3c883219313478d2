#include "selftest.h"

#include "calibration.h"
#include "crc.h"
#include "hal.h"
#include "rig.h"
#include "sampler.h"
#include "state.h"

/* The plan comes to its rarest channels every 64 scans: 33 ms in the precise mode. */
enum { PATIENCE_MS = 50, PROGRAM_STEP = 64, SMALLEST_STUCK = 32 };
/* More standard uncertainties off than this are a fault. */
#define TOO_FAR 5.0f

static uint8_t result;
static bool is_all_read;
static uint32_t begun_ms;
static uint16_t crc;
static uint16_t address;

void selftest_begin(void)
{
    result = calibration_is_damaged() ? SELFTEST_STORED : 0;
    is_all_read = false;
    sampler_forget_latest();
    begun_ms = hal_read_milliseconds();
    crc = CRC_BEGIN;
    address = 0;
}

static float square(float x)
{
    return x * x;
}

static bool check_is_off(void)
{
    struct rig_range range;
    calibration_read_range(&range, RANGE_SELF_CHECK);
    float off = ((float)sampler_get_latest(CHANNEL_SELF_CHECK) - range.zero) * range.scale - RIG_CHECK_V;
    float variance = square(RIG_CHECK_U_V) + square(range.u_scale * RIG_CHECK_V) + square(range.u_zero) + square(range.u_line);
    return square(off) > square(TOO_FAR) * variance;
}

/* Returns whether a channel is stuck: with everything open, voltages and currents must be 0; the thermistor must never read like a short or
 * a break. */
static bool channel_is_stuck(void)
{
    uint16_t ratio = sampler_get_latest(CHANNEL_TEMPERATURE);
    bool is_stuck = ratio == 0 || ratio >= SAMPLER_FULL_COUNT;
    for (uint8_t place = 0; place < RIG_RANGES && !state_has_closed_switch(); place++) {
        struct rig_range range;
        calibration_read_range(&range, place);
        float off = (float)sampler_get_latest((enum channel)range.channel) - range.zero;
        bool is_zero = range.channel <= CHANNEL_V_PILOT;
        is_stuck = is_stuck || (is_zero && square(off) > square(SMALLEST_STUCK));
    }
    return is_stuck;
}

static void read_channels(void)
{
    is_all_read = true;
    if (check_is_off()) {
        result |= SELFTEST_CHECK;
    }
    if (channel_is_stuck()) {
        result |= SELFTEST_STUCK;
    }
}

bool selftest_step(void)
{
    if (!is_all_read) {
        if (hal_read_milliseconds() - begun_ms >= PATIENCE_MS) {
            read_channels();
        }
        return true;
    }
    uint16_t length = hal_get_program_length();
    for (uint8_t k = 0; k < PROGRAM_STEP && address < length; k++) {
        crc = crc_add_byte(crc, hal_read_program(address++));
    }
    if (address < length) {
        return true;
    }
    if (crc != 0) {
        result |= SELFTEST_PROGRAM;
    }
    return false;
}

uint8_t selftest_get_result(void)
{
    return result;
}
