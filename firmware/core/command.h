/* Command lines: the table of commands, and how a line becomes one of them or an error (PROTOCOL.md section 2). */
#ifndef COMMAND_H
#define COMMAND_H

#include <stdbool.h>
#include <stdint.h>

#include "parameter.h"
#include "rom.h"

enum { COMMAND_PARAMETERS = 7 };

/* One command. pattern: the header as the page writes it. kinds: one letter for each parameter (enum parameter_kind). obey: does it, or
 * returns the error that forbids it, and then nothing has changed. */
struct command {
    char pattern[28];
    char kinds[COMMAND_PARAMETERS + 1];
    int16_t (*obey)(const union value *values);
};

/* Obeys a line, its end taken off, of at most LINE_LONGEST - 1 bytes. 0 or the error; the error has not been queued. */
int16_t command_obey(const char *line, uint8_t length);

/* Whether this header is a way to write the pattern. */
bool command_header_matches(const ROM char *pattern, struct words header);

#endif
