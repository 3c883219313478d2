#include "header.h"

/* The bit in which small and capital letters differ. */
enum { CASE = 0x20 };

static bool is_between(char c, char low, char high)
{
    return c >= low && c <= high;
}

static bool is_lower(char c)
{
    return is_between(c, 'a', 'z');
}

static bool is_of_keyword(char c)
{
    return is_between((char)(c | CASE), 'a', 'z') || is_between(c, '0', '9') || c == '_' || c == '*';
}

/* Returns the length of this keyword at the beginning of words, whole or in its short form; 0 if something else is there. */
static uint8_t keyword_length(const ROM char *keyword, struct words words)
{
    uint8_t k = 0;
    while (k < words.length && is_of_keyword(words.text[k])) {
        if ((words.text[k] ^ keyword[k]) & ~CASE) {
            return 0;
        }
        k++;
    }
    /* The short form ends where the small letters begin. */
    bool is_whole = !is_of_keyword(keyword[k]) || (k != 0 && is_lower(keyword[k]) && !is_lower(keyword[k - 1]));
    return is_whole ? k : 0;
}

bool header_matches(const ROM char *pattern, struct words header)
{
    struct words rest = header;
    while (*pattern != '\0' && *pattern != '?') {
        bool is_optional = *pattern == '[';
        pattern += is_optional;
        struct words from = rest;
        if (*pattern == ':') {
            pattern++;
            if (from.length == 0 || *from.text != ':') {
                from.length = 0;
            } else {
                from.text++;
                from.length--;
            }
        }
        uint8_t length = keyword_length(pattern, from);
        if (length != 0) {
            rest.text = from.text + length;
            rest.length = (uint8_t)(from.length - length);
        } else if (!is_optional) {
            return false;
        }
        while (is_of_keyword(*pattern)) {
            pattern++;
        }
        pattern += is_optional;
    }
    bool is_query = rest.length == 1 && *rest.text == '?';
    return *pattern == '?' ? is_query : rest.length == 0;
}

struct words header_find(struct words line)
{
    const char *end = line.text + line.length;
    struct words header = {line.text, 0};
    if (line.length > 1 && line.text[0] == ':' && line.text[1] != '*') {
        header.text++;
    }
    const char *at = header.text;
    while (at < end && (is_of_keyword(*at) || *at == ':')) {
        at++;
    }
    at += at < end && *at == '?';
    header.length = (uint8_t)(at - header.text);
    return header;
}
