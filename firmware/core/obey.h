/* What each command does. */
#ifndef OBEY_H
#define OBEY_H

#include "command.h"

/* All commands; behind the last stands an empty pattern. */
extern const ROM struct command obey_commands[];

#endif
