/* Command lines: how a line becomes one of the commands of a table, or an error (PROTOCOL.md section 2). The table is an argument, so that
 * this file knows no command. */
#ifndef PARSER_H
#define PARSER_H

#include <stdbool.h>
#include <stdint.h>

#include "parameter.h"
#include "rom.h"

enum { PARSER_PARAMETERS = 7 };

/* One command. pattern: the header as PROTOCOL.md writes it; none begins with an optional part. kinds: one letter for each parameter (enum
 * parameter_kind). execute: does it with one value for each parameter and returns 0, or returns the error that forbids it, and then nothing
 * has changed. */
struct command {
    char pattern[28];
    char kinds[PARSER_PARAMETERS + 1];
    int16_t (*execute)(const union value *values);
};

/* Executes a line, its end taken off, of at most LINE_LONGEST - 1 bytes, by this table, whose last pattern is empty. Returns 0 or the error
 * (enum error), which has not been queued. */
int16_t parser_execute_line(const ROM struct command *commands, const char *line, uint8_t length);

#endif
