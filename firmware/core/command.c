#include "command.h"

#include "obey.h"
#include "status.h"

/* In what small and capital letters differ. */
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

/* The length of this keyword at the beginning of words, whole or in its short form; 0 if something else stands there. */
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

bool command_header_matches(const ROM char *pattern, struct words header)
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

static struct words trimmed(const char *text, const char *end)
{
    while (text < end && *text == ' ') {
        text++;
    }
    while (text < end && end[-1] == ' ') {
        end--;
    }
    return (struct words){text, (uint8_t)(end - text)};
}

/* Where the parameter that begins here ends: at a comma outside of brackets, or at the end. */
static const char *parameter_end(const char *at, const char *end)
{
    for (; at < end && *at != ','; at++) {
        if (*at == '(') {
            const char *close = at;
            while (close < end && *close != ')') {
                close++;
            }
            if (close < end) {
                at = close;
            }
        }
    }
    return at;
}

static uint8_t count_kinds(const ROM struct command *command)
{
    uint8_t count = 0;
    while (command->kinds[count] != '\0') {
        count++;
    }
    return count;
}

/* The number of parameters, and whether none of them is empty. */
static int16_t check_count(const ROM struct command *command, struct words rest)
{
    uint8_t count = 0;
    bool is_one_empty = false;
    if (rest.length != 0) {
        const char *end = rest.text + rest.length;
        const char *at = rest.text;
        for (;;) {
            const char *stop = parameter_end(at, end);
            is_one_empty = is_one_empty || trimmed(at, stop).length == 0;
            count++;
            if (stop == end) {
                break;
            }
            at = stop + 1;
        }
    }
    uint8_t wanted = count_kinds(command);
    return count > wanted ? ERROR_PARAMETER : count < wanted || is_one_empty ? ERROR_MISSING : 0;
}

static int16_t obey_with(const ROM struct command *command, struct words rest)
{
    int16_t error = check_count(command, rest);
    union value values[COMMAND_PARAMETERS];
    const char *at = rest.text;
    const char *end = at + rest.length;
    for (uint8_t k = 0; error == 0 && command->kinds[k] != '\0'; k++) {
        const char *stop = parameter_end(at, end);
        error = parameter_read((enum parameter_kind)command->kinds[k], trimmed(at, stop), &values[k]);
        at = stop + 1;
    }
    return error != 0 ? error : command->obey(values);
}

static int16_t check_characters(const char *line, uint8_t length)
{
    bool has_separator = false;
    for (uint8_t k = 0; k < length; k++) {
        if (!is_between(line[k], 0x20, 0x7E)) {
            return ERROR_CHARACTER;
        }
        has_separator = has_separator || line[k] == ';';
    }
    return has_separator ? ERROR_SEPARATOR : 0;
}

int16_t command_obey(const char *line, uint8_t length)
{
    int16_t error = check_characters(line, length);
    if (error != 0) {
        return error;
    }
    const char *end = line + length;
    struct words words = trimmed(line, end);
    const char *at = words.text;
    end = at + words.length;
    if (words.length > 1 && at[0] == ':' && at[1] != '*') {
        at++;
    }
    struct words header = {at, 0};
    while (at < end && (is_of_keyword(*at) || *at == ':')) {
        at++;
    }
    at += at < end && *at == '?';
    header.length = (uint8_t)(at - header.text);
    /* No pattern begins with what may be left out: one letter tells of most that they do not match. */
    char first = header.length != 0 ? parameter_upper(*header.text) : ' ';
    for (const ROM struct command *command = obey_commands; command->pattern[0] != '\0'; command++) {
        if (command->pattern[0] == first && command_header_matches(command->pattern, header)) {
            return at < end && *at != ' ' ? ERROR_SEPARATOR : obey_with(command, trimmed(at, end));
        }
    }
    return ERROR_HEADER;
}
