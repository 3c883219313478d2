/* What each command does. */
#ifndef OBEY_H
#define OBEY_H

#include <stdbool.h>

#include "command.h"

/* All commands; behind the last stands an empty pattern. */
extern const ROM struct command obey_commands[];

/* Goes on with a query whose answer takes longer than other things may wait. True while there is more to do; no line may be obeyed before that. */
bool obey_step(void);

#endif
