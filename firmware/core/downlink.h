/* What comes down the serial line: bytes become command lines, which are executed one at a time. */
#ifndef DOWNLINK_H
#define DOWNLINK_H

#include <stdbool.h>

/* Reads the bytes received, and executes a line once it is whole and the reply to the one before is sent. Returns false if there was
 * nothing to do. */
bool downlink_step(void);

#endif
