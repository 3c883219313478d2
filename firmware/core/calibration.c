#include "calibration.h"

#include <string.h>

#include "number.h"
#include "store.h"

#define SERIAL_UNSET "UNSET"
/* 10 %, and half a millionth more: a value exactly at the limit is within it, whatever a float makes of the difference. */
#define SCALE_OFF 0.1000005f
#define ZERO_OFF 32.0f
#define LARGEST_U 1000.0f
#define CLOCK_OFF 0.02f

struct scale {
    float zero;
    float scale;
    float u_scale;
    float u_zero;
    float u_line;
};

/* The record as it is stored: no gaps on any machine. */
static struct calibration {
    struct scale scales[RIG_RANGES];
    uint32_t clock_hz;
    float clock_half_width;
    uint32_t date;
    uint16_t is_set; /* bit per range: scales has it */
    char serial[SERIAL_LONGEST + 2];
} calibration;

typedef char calibration_has_no_gaps[sizeof(struct calibration) == 20 * RIG_RANGES + 14 + SERIAL_LONGEST + 2 ? 1 : -1];

static bool is_damaged;

void calibration_begin(void)
{
    calibration_clear();
    calibration_set_serial(SERIAL_UNSET, sizeof SERIAL_UNSET - 1);
    is_damaged = store_load(&calibration, sizeof calibration) == STORE_DAMAGED;
}

bool calibration_is_damaged(void)
{
    return is_damaged;
}

void calibration_read_range(struct rig_range *range, uint8_t place)
{
    *range = rig_ranges[place];
    if (calibration.is_set & (1u << place)) {
        const struct scale *scale = &calibration.scales[place];
        range->zero = scale->zero;
        range->scale = scale->scale;
        range->u_scale = scale->u_scale;
        range->u_zero = scale->u_zero;
        range->u_line = scale->u_line;
        /* With a curve, scale and limits mean nothing. The counts at either end of the converter read as clipped. */
        if (range->channel != CHANNEL_TEMPERATURE) {
            range->low = number_round((0.5f - range->zero) * range->scale);
            range->high = number_round((SAMPLER_FULL_COUNT - 0.5f - range->zero) * range->scale);
        }
    }
}

uint32_t calibration_get_clock_hz(void)
{
    return calibration.clock_hz;
}

float calibration_get_clock_half_width(void)
{
    return calibration.clock_half_width;
}

uint32_t calibration_get_date(void)
{
    return calibration.date;
}

const char *calibration_get_serial(void)
{
    return calibration.serial;
}

static bool is_u(float u)
{
    return u >= 0.0f && u <= LARGEST_U;
}

static bool is_near(float value, float to, float within)
{
    return value >= to - within && value <= to + within;
}

bool calibration_accepts_range(const struct rig_range *range, uint8_t place)
{
    const ROM struct rig_range *built_in = &rig_ranges[place];
    return is_near(range->scale, built_in->scale, SCALE_OFF * built_in->scale) && is_near(range->zero, built_in->zero, ZERO_OFF)
        && is_u(range->u_scale) && is_u(range->u_zero) && is_u(range->u_line);
}

void calibration_set_range(const struct rig_range *range, uint8_t place)
{
    calibration.scales[place] = (struct scale){range->zero, range->scale, range->u_scale, range->u_zero, range->u_line};
    calibration.is_set = (uint16_t)(calibration.is_set | (1u << place));
}

bool calibration_accepts_clock(float hz, float half_width)
{
    return is_near(hz, RIG_CLOCK_HZ, CLOCK_OFF * RIG_CLOCK_HZ) && half_width >= 0.0f && half_width <= CLOCK_OFF;
}

void calibration_set_clock(float hz, float half_width)
{
    /* From 2^23 on every float is whole. */
    calibration.clock_hz = (uint32_t)hz;
    calibration.clock_half_width = half_width;
}

void calibration_set_date(uint32_t date)
{
    calibration.date = date;
}

void calibration_set_serial(const char *serial, uint8_t length)
{
    memset(calibration.serial, 0, sizeof calibration.serial);
    memcpy(calibration.serial, serial, length);
}

void calibration_clear(void)
{
    calibration.is_set = 0;
    memset(calibration.scales, 0, sizeof calibration.scales);
    calibration.clock_hz = RIG_CLOCK_HZ;
    calibration.clock_half_width = RIG_CLOCK_HALF_WIDTH;
    calibration.date = 0;
}

void calibration_store(void)
{
    store_save(&calibration, sizeof calibration);
    is_damaged = false;
}
