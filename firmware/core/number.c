#include "number.h"

#include "status.h"

enum { DIGITS = 6, FARTHEST_POWER = 60, LARGEST_FIXED_POWER = 8, SMALLEST_FIXED_POWER = -4 };
/* One more digit fits behind a number up to this. */
#define MANTISSA_FULL 99999999ul

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool is_letter(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
}

/* Returns value times ten to the power. Tens up to the tenth are exact in a float, so a short decimal becomes the float nearest to it. */
static float scaled(float value, int16_t power)
{
    bool up = power > 0;
    uint8_t left = (uint8_t)(up ? power : -power);
    while (left > 0) {
        float factor = 1.0f;
        for (uint8_t step = 0; step < 10 && left > 0; step++, left--) {
            factor *= 10.0f;
        }
        value = up ? value * factor : value / factor;
    }
    return value;
}

/* The digits of a number as read: the first nine, the power of ten of the last of these, and that of the last digit of all that is
 * not 0. */
struct mantissa {
    uint32_t value;
    int16_t power;
    int16_t last_power;
    bool is_there;
};

static const char *read_mantissa(const char *at, const char *end, struct mantissa *m)
{
    bool behind_point = false;
    uint8_t left_out = 0;
    uint8_t behind = 0;
    uint8_t zeros = 0;
    *m = (struct mantissa){0, 0, 0, false};
    for (; at < end; at++) {
        if (*at == '.' && !behind_point) {
            behind_point = true;
            continue;
        }
        if (!is_digit(*at)) {
            break;
        }
        uint8_t digit = (uint8_t)(*at - '0');
        bool fits = m->value <= MANTISSA_FULL;
        m->is_there = true;
        if (fits) {
            m->value = m->value * 10u + digit;
        }
        left_out = (uint8_t)(left_out + !fits);
        behind = (uint8_t)(behind + behind_point);
        zeros = digit == 0 ? (uint8_t)(zeros + 1u) : 0;
    }
    m->power = (int16_t)(left_out - behind);
    m->last_power = (int16_t)(zeros - behind);
    return at;
}

/* Without a whole exponent nothing is read. */
static const char *read_exponent(const char *at, const char *end, int16_t *exponent)
{
    const char *p = at;
    *exponent = 0;
    if (p == end || (*p != 'E' && *p != 'e')) {
        return at;
    }
    p++;
    bool is_negative = p < end && *p == '-';
    if (p < end && (*p == '-' || *p == '+')) {
        p++;
    }
    if (p == end || !is_digit(*p)) {
        return at;
    }
    int16_t size = 0;
    for (; p < end && is_digit(*p); p++) {
        if (size < 1000) {
            size = (int16_t)(size * 10 + (*p - '0'));
        }
    }
    *exponent = (int16_t)(is_negative ? -size : size);
    return p;
}

static int16_t within(int16_t power)
{
    return power > FARTHEST_POWER ? FARTHEST_POWER : power < -FARTHEST_POWER ? -FARTHEST_POWER : power;
}

/* Returns the size as a whole number, without what is behind the point. */
static uint32_t whole_size(uint32_t size, int16_t power)
{
    for (; power < 0 && size != 0; power++) {
        size /= 10u;
    }
    for (; power > 0 && size != 0 && size != UINT32_MAX; power--) {
        size = size > UINT32_MAX / 10u ? UINT32_MAX : size * 10u;
    }
    return size;
}

int16_t number_read(const char *text, uint8_t length, struct number *number)
{
    const char *at = text;
    const char *end = text + length;
    struct mantissa m;
    int16_t exponent;

    number->is_negative = at < end && *at == '-';
    if (at < end && (*at == '-' || *at == '+')) {
        at++;
    }
    at = read_mantissa(at, end, &m);
    if (!m.is_there) {
        return at == text ? ERROR_TYPE : ERROR_NUMBER;
    }
    at = read_exponent(at, end, &exponent);
    int16_t power = within((int16_t)(m.power + exponent));
    float size = scaled((float)m.value, power);
    number->value = number->is_negative ? -size : size;
    number->size = whole_size(m.value, power);
    number->is_whole = m.value == 0 || m.last_power + exponent >= 0;
    if (at == end) {
        return 0;
    }
    while (at < end && *at == ' ') {
        at++;
    }
    while (at < end && is_letter(*at)) {
        at++;
    }
    return at == end ? ERROR_SUFFIX : ERROR_NUMBER;
}

/* Writes six digits of a number below a million. Two short divisions cost a third of one long one for each digit. */
static void write_six(char *text, uint32_t value)
{
    uint16_t parts[2] = {(uint16_t)(value / 1000u), (uint16_t)(value % 1000u)};
    for (uint8_t k = 0; k < 2; k++) {
        for (uint8_t digit = 3; digit-- > 0;) {
            text[k * 3 + digit] = (char)('0' + parts[k] % 10u);
            parts[k] = (uint16_t)(parts[k] / 10u);
        }
    }
}

uint8_t number_write_whole(char *text, uint32_t value)
{
    char digits[2 * DIGITS];
    write_six(digits, value / 1000000ul);
    write_six(digits + DIGITS, value % 1000000ul);
    uint8_t first = 0;
    while (first < 2 * DIGITS - 1 && digits[first] == '0') {
        first++;
    }
    uint8_t count = 0;
    while (first < 2 * DIGITS) {
        text[count++] = digits[first++];
    }
    return count;
}

/* Returns the power of ten of a value's first digit. */
static int16_t power_of(float value)
{
    int16_t power = 0;
    float ten = 1.0f;
    if (value >= 1.0f) {
        while (value >= ten * 10.0f) {
            ten *= 10.0f;
            power++;
        }
    } else {
        while (value * ten < 1.0f) {
            ten *= 10.0f;
            power--;
        }
    }
    return power;
}

uint8_t number_write(char *text, float value)
{
    uint8_t count = 0;
    if (value < 0.0f) {
        text[count++] = '-';
        value = -value;
    }
    if (!(value > 0.0f)) {
        text[0] = '0';
        return 1;
    }
    int16_t power = power_of(value);
    uint32_t rounded = (uint32_t)(scaled(value, (int16_t)(DIGITS - 1 - power)) + 0.5f);
    if (rounded >= 1000000ul) {
        rounded = (rounded + 5u) / 10u;
        power++;
    }
    char digits[DIGITS];
    write_six(digits, rounded);
    int16_t used = DIGITS;
    while (used > 1 && digits[used - 1] == '0') {
        used--;
    }
    bool is_fixed = power >= SMALLEST_FIXED_POWER && power <= LARGEST_FIXED_POWER;
    int16_t before_point = is_fixed ? power + 1 : 1;
    if (before_point <= 0) {
        text[count++] = '0';
        text[count++] = '.';
        for (int16_t k = before_point; k < 0; k++) {
            text[count++] = '0';
        }
    }
    for (int16_t k = 0; k < used || k < before_point; k++) {
        if (k == before_point && k > 0) {
            text[count++] = '.';
        }
        text[count++] = k < used ? digits[k] : '0';
    }
    if (!is_fixed) {
        text[count++] = 'E';
        if (power < 0) {
            text[count++] = '-';
        }
        count = (uint8_t)(count + number_write_whole(text + count, (uint32_t)(power < 0 ? -power : power)));
    }
    return count;
}

float number_round(float value)
{
    char text[NUMBER_LONGEST];
    struct number number;
    (void)number_read(text, number_write(text, value), &number);
    return number.value;
}
