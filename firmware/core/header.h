/* Headers of command lines: the ways in which a pattern may be written (PROTOCOL.md section 2). */
#ifndef HEADER_H
#define HEADER_H

#include <stdbool.h>

#include "parameter.h"
#include "rom.h"

/* Returns the header at the beginning of a line without blanks there: keywords, colons between them, a question mark; no colon before. */
struct words header_find(struct words line);

/* Returns whether this header is a way to write the pattern: long or short forms, optional parts, any case. */
bool header_matches(const ROM char *pattern, struct words header);

#endif
