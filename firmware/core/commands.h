/* The table of all commands. */
#ifndef COMMANDS_H
#define COMMANDS_H

#include "parser.h"

/* Every command of PROTOCOL.md section 2; the last pattern is empty. */
extern const ROM struct command commands_table[];

#endif
