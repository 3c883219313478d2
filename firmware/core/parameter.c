#include "parameter.h"

#include <stdbool.h>

#include "number.h"
#include "rig.h"
#include "status.h"

static bool is_letter(char c)
{
    char upper = parameter_to_upper(c);
    return upper >= 'A' && upper <= 'Z';
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

char parameter_to_upper(char c)
{
    return c >= 'a' && c <= 'z' ? (char)(c - 'a' + 'A') : c;
}

static const ROM char word_on[] = "ON";
static const ROM char word_off[] = "OFF";
static const ROM char word_one[] = "1";
static const ROM char word_zero[] = "0";
static const ROM char word_fast[] = "FAST";
static const ROM char word_prec[] = "PREC";
static const ROM char word_precise[] = "PRECISE";

static bool is_word(struct words words, const ROM char *word)
{
    uint8_t k = 0;
    while (k < words.length && word[k] != '\0' && parameter_to_upper(words.text[k]) == word[k]) {
        k++;
    }
    return k == words.length && word[k] == '\0';
}

/* Returns the error of a parameter that is none of the words wanted. */
static int16_t judge_word(struct words words)
{
    for (uint8_t k = 0; k < words.length; k++) {
        if (!is_letter(words.text[k])) {
            return ERROR_TYPE;
        }
    }
    return ERROR_VALUE;
}

static int16_t read_boolean(struct words words, union value *value)
{
    value->boolean = is_word(words, word_on) || is_word(words, word_one);
    if (value->boolean || is_word(words, word_off) || is_word(words, word_zero)) {
        return 0;
    }
    return judge_word(words);
}

static int16_t read_mode(struct words words, union value *value)
{
    value->is_precise = is_word(words, word_prec) || is_word(words, word_precise);
    return value->is_precise || is_word(words, word_fast) ? 0 : judge_word(words);
}

static int16_t read_number(struct words words, union value *value)
{
    struct number number;
    int16_t error = number_read(words.text, words.length, &number);
    value->number = number.value;
    return error;
}

static int16_t read_whole(struct words words, union value *value)
{
    struct number number;
    int16_t error = number_read(words.text, words.length, &number);
    if (error != 0) {
        return error;
    }
    int32_t size = number.size > INT32_MAX ? INT32_MAX : (int32_t)number.size;
    value->whole = number.is_negative ? -size : size;
    return number.is_whole ? 0 : ERROR_TYPE;
}

static int16_t read_name(struct words words, union value *value)
{
    value->name = words;
    for (uint8_t k = 0; k < words.length; k++) {
        char c = words.text[k];
        if (!is_letter(c) && !is_digit(c) && c != '_' && c != '-') {
            return ERROR_TYPE;
        }
    }
    return 0;
}

static const char *skip_spaces(const char *at, const char *end)
{
    while (at < end && *at == ' ') {
        at++;
    }
    return at;
}

/* Reads a number of one to three digits, spaces between and behind them ignored. Returns the place behind it; NULL if there is none. */
static const char *read_item(const char *at, const char *end, uint16_t *item)
{
    uint8_t digits = 0;
    *item = 0;
    for (; at < end && is_digit(*at); at = skip_spaces(at + 1, end)) {
        *item = (uint16_t)(*item * 10u + (uint16_t)(*at - '0'));
        if (++digits > 3) {
            return NULL;
        }
    }
    return digits == 0 ? NULL : at;
}

static uint16_t loads_between(uint16_t first, uint16_t last)
{
    uint16_t loads = 0;
    uint16_t low = first < last ? first : last;
    uint16_t high = first < last ? last : first;
    if (low < 1 || high > RIG_LOADS) {
        return LOADS_UNKNOWN;
    }
    for (uint16_t load = low; load <= high; load++) {
        loads = (uint16_t)(loads | 1u << (load - 1u));
    }
    return loads;
}

static int16_t read_loads(struct words words, union value *value)
{
    const char *at = words.text;
    const char *end = at + words.length;
    value->loads = 0;
    if (*at != '(') {
        return ERROR_TYPE;
    }
    at = skip_spaces(at + 1, end);
    if (at == end || *at != '@') {
        return ERROR_EXPRESSION;
    }
    at = skip_spaces(at + 1, end);
    bool is_empty = at < end && *at == ')';
    while (!is_empty) {
        uint16_t first;
        at = read_item(at, end, &first);
        uint16_t last = first;
        if (at != NULL && at < end && *at == ':') {
            at = read_item(skip_spaces(at + 1, end), end, &last);
        }
        if (at == NULL || at == end) {
            return ERROR_EXPRESSION;
        }
        value->loads |= loads_between(first, last);
        if (*at != ',') {
            break;
        }
        at = skip_spaces(at + 1, end);
    }
    return at + 1 == end && *at == ')' ? 0 : ERROR_EXPRESSION;
}

int16_t parameter_read(enum parameter_kind kind, struct words words, union value *value)
{
    switch (kind) {
    case KIND_BOOLEAN:
        return read_boolean(words, value);
    case KIND_WHOLE:
        return read_whole(words, value);
    case KIND_MODE:
        return read_mode(words, value);
    case KIND_LOADS:
        return read_loads(words, value);
    case KIND_NAME:
        return read_name(words, value);
    default:
        return read_number(words, value);
    }
}
