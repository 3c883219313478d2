#include "description.h"

#include <string.h>

#include "calibration.h"
#include "number.h"
#include "rig.h"

enum { VERSION = 1, CONVERTER_BITS = 10 };

enum kind { BOARD, CALIBRATED, CLOCK, MODE, CHANNEL, RANGE, COMMON, CURVE, CHECK, LOOP, LOAD, LIMIT };

static const ROM struct section {
    char word[11];
    uint8_t lines;
} sections[] = {
    [BOARD] = {"board", 1},
    [CALIBRATED] = {"calibrated", 1},
    [CLOCK] = {"clock", 1},
    [MODE] = {"mode", 2},
    [CHANNEL] = {"channel", CHANNELS},
    [RANGE] = {"range", RIG_RANGES},
    [COMMON] = {"common", 1},
    [CURVE] = {"curve", 1},
    [CHECK] = {"check", 1},
    [LOOP] = {"loop", 1},
    [LOAD] = {"load", RIG_LOADS},
    [LIMIT] = {"limit", RIG_LIMITS},
};

enum { SECTIONS = sizeof sections / sizeof sections[0] };

static const ROM char model[] = RIG_MODEL;
static const ROM char mode_words[2][5] = {"FAST", "PREC"};
static const ROM uint16_t mode_clocks[2] = {SAMPLER_FAST_CLOCKS, SAMPLER_PRECISE_CLOCKS};
static const ROM char curve_word[] = "NTC";

/* Returns the lines of a kind. Without a calibration there is no line of its day. */
static uint8_t lines_of(uint8_t kind)
{
    return kind == CALIBRATED && calibration_get_date() == 0 ? 0 : sections[kind].lines;
}

static uint8_t write_words(char *text, const ROM char *words)
{
    uint8_t length = 0;
    while (words[length] != '\0') {
        text[length] = words[length];
        length++;
    }
    return length;
}

static uint8_t write_board(char *text, uint8_t field)
{
    switch (field) {
    case 1:
        return number_write_whole(text, VERSION);
    case 2:
        return write_words(text, model);
    case 3: {
        uint8_t length = (uint8_t)strlen(calibration_get_serial());
        memcpy(text, calibration_get_serial(), length);
        return length;
    }
    default:
        return 0;
    }
}

static uint8_t write_clock(char *text, uint8_t field)
{
    switch (field) {
    case 1:
        return number_write_whole(text, calibration_get_clock_hz());
    case 2:
        return number_write(text, calibration_get_clock_half_width());
    default:
        return 0;
    }
}

static uint8_t write_mode(char *text, uint8_t row, uint8_t field)
{
    switch (field) {
    case 1:
        return write_words(text, mode_words[row]);
    case 2:
        return number_write_whole(text, mode_clocks[row]);
    case 3:
        return number_write_whole(text, SAMPLER_SLOTS);
    case 4:
        return number_write_whole(text, CONVERTER_BITS);
    default:
        return 0;
    }
}

static uint8_t write_channel(char *text, uint8_t row, uint8_t field)
{
    const ROM struct rig_channel *channel = &rig_channels[row];
    switch (field) {
    case 1:
        return write_words(text, channel->name);
    case 2:
        return write_words(text, channel->unit);
    case 3:
        return number_write_whole(text, channel->slot);
    case 4:
        return number_write_whole(text, channel->first);
    case 5:
        return number_write_whole(text, channel->every);
    case 6:
        return number_write(text, channel->delay_s);
    default:
        return 0;
    }
}

static uint8_t write_range(char *text, uint8_t row, uint8_t field)
{
    struct rig_range range;
    calibration_read_range(&range, row);
    switch (field) {
    case 1:
        return write_words(text, rig_channels[range.channel].name);
    case 2:
        return number_write_whole(text, range.number);
    case 3:
        return number_write(text, range.zero);
    case 4:
        return number_write(text, range.scale);
    case 5:
        return number_write(text, range.low);
    case 6:
        return number_write(text, range.high);
    case 7:
        return number_write(text, range.u_scale);
    case 8:
        return number_write(text, range.u_zero);
    case 9:
        return number_write(text, range.u_line);
    case 10:
        return number_write(text, range.noise);
    default:
        return 0;
    }
}

static uint8_t write_common(char *text, uint8_t field)
{
    switch (field) {
    case 1:
        return write_words(text, rig_channels[CHANNEL_V_DROP].name);
    case 2:
        return write_words(text, rig_channels[CHANNEL_V_IN].name);
    case 3:
        return number_write(text, RIG_COMMON_U);
    default:
        return 0;
    }
}

static uint8_t write_curve(char *text, uint8_t field)
{
    switch (field) {
    case 1:
        return write_words(text, rig_channels[CHANNEL_TEMPERATURE].name);
    case 2:
        return write_words(text, curve_word);
    case 3:
        return number_write(text, RIG_NTC_SERIES_OHM);
    case 4:
        return number_write(text, RIG_NTC_R25_OHM);
    case 5:
        return number_write(text, RIG_NTC_B_K);
    default:
        return 0;
    }
}

static uint8_t write_check(char *text, uint8_t field)
{
    switch (field) {
    case 1:
        return write_words(text, rig_channels[CHANNEL_SELF_CHECK].name);
    case 2:
        return number_write(text, RIG_CHECK_V);
    case 3:
        return number_write(text, RIG_CHECK_U_V);
    default:
        return 0;
    }
}

static uint8_t write_loop(char *text, uint8_t field)
{
    switch (field) {
    case 1:
        return number_write(text, RIG_LOOP_OHM);
    case 2:
        return number_write(text, RIG_LOOP_U_OHM);
    default:
        return 0;
    }
}

static uint8_t write_load(char *text, uint8_t row, uint8_t field)
{
    switch (field) {
    case 1:
        return number_write_whole(text, row + 1u);
    case 2:
        return write_words(text, rig_loads[row].kind);
    case 3:
        return number_write(text, rig_loads[row].nominal);
    default:
        return 0;
    }
}

static uint8_t write_limit(char *text, uint8_t row, uint8_t field)
{
    const ROM struct rig_limit *limit = &rig_limits[row];
    switch (field) {
    case 1:
        return write_words(text, limit->name);
    case 2:
        return number_write(text, limit->low);
    case 3:
        return number_write(text, limit->high);
    case 4:
        return number_write(text, limit->standard);
    default:
        return 0;
    }
}

uint8_t description_count_lines(void)
{
    uint8_t lines = 0;
    for (uint8_t kind = 0; kind < SECTIONS; kind++) {
        lines = (uint8_t)(lines + lines_of(kind));
    }
    return lines;
}

uint8_t description_write_field(char *text, uint8_t line, uint8_t field)
{
    uint8_t kind = 0;
    uint8_t row = (uint8_t)(line - 1u);
    while (row >= lines_of(kind)) {
        row = (uint8_t)(row - lines_of(kind));
        kind++;
    }
    if (field == 0) {
        return write_words(text, sections[kind].word);
    }
    switch (kind) {
    case BOARD:
        return write_board(text, field);
    case CALIBRATED:
        return field == 1 ? number_write_whole(text, calibration_get_date()) : 0;
    case CLOCK:
        return write_clock(text, field);
    case MODE:
        return write_mode(text, row, field);
    case CHANNEL:
        return write_channel(text, row, field);
    case RANGE:
        return write_range(text, row, field);
    case COMMON:
        return write_common(text, field);
    case CURVE:
        return write_curve(text, field);
    case CHECK:
        return write_check(text, field);
    case LOOP:
        return write_loop(text, field);
    case LOAD:
        return write_load(text, row, field);
    default:
        return write_limit(text, row, field);
    }
}
