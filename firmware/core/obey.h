/* What each command does. */
#ifndef OBEY_H
#define OBEY_H

#include <stdbool.h>

#include "command.h"

/* All commands; behind the last stands an empty pattern. */
extern const ROM struct command obey_commands[];

/* Goes on with a query whose answer takes longer than other things may wait. False if there is none. */
bool obey_step(void);

/* Whether there is one: no line may be obeyed meanwhile. */
bool obey_is_under_way(void);

#endif
