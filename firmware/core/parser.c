#include "parser.h"

#include "header.h"
#include "status.h"

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

/* Returns the end of the parameter that begins here: at a comma outside of brackets, or at the end. */
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

/* Returns the error of a wrong number of parameters or of an empty one; 0 if there is none. */
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

static int16_t execute_with(const ROM struct command *command, struct words rest)
{
    int16_t error = check_count(command, rest);
    union value values[PARSER_PARAMETERS];
    const char *at = rest.text;
    const char *end = at + rest.length;
    for (uint8_t k = 0; error == 0 && command->kinds[k] != '\0'; k++) {
        const char *stop = parameter_end(at, end);
        error = parameter_read((enum parameter_kind)command->kinds[k], trimmed(at, stop), &values[k]);
        at = stop + 1;
    }
    return error != 0 ? error : command->execute(values);
}

static int16_t check_characters(const char *line, uint8_t length)
{
    bool has_separator = false;
    for (uint8_t k = 0; k < length; k++) {
        if (line[k] < 0x20 || line[k] > 0x7E) {
            return ERROR_CHARACTER;
        }
        has_separator = has_separator || line[k] == ';';
    }
    return has_separator ? ERROR_SEPARATOR : 0;
}

int16_t parser_execute_line(const ROM struct command *commands, const char *line, uint8_t length)
{
    int16_t error = check_characters(line, length);
    if (error != 0) {
        return error;
    }
    struct words words = trimmed(line, line + length);
    const char *end = words.text + words.length;
    struct words header = header_find(words);
    const char *at = header.text + header.length;
    /* No pattern begins with what may be left out: one letter rules most of them out. */
    char first = header.length != 0 ? parameter_to_upper(*header.text) : ' ';
    for (const ROM struct command *command = commands; command->pattern[0] != '\0'; command++) {
        if (command->pattern[0] == first && header_matches(command->pattern, header)) {
            return at < end && *at != ' ' ? ERROR_SEPARATOR : execute_with(command, trimmed(at, end));
        }
    }
    return ERROR_HEADER;
}
