/* Bytes from the serial line to command lines. */
#ifndef LINE_H
#define LINE_H

#include <stdbool.h>

/* Reads what has come, and obeys a line once it is whole and nothing from before is under way. False if there was nothing to do. */
bool line_step(void);

#endif
