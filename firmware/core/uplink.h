/* What goes up the serial line, one thing after another: events, replies, frames of samples. */
#ifndef UPLINK_H
#define UPLINK_H

#include <stdbool.h>

void uplink_begin(void);

/* The next frame is the first of a run, whose first stamp is run_first_stamp. */
void uplink_begin_run(void);

/* A command line was lost; the next frame says so. */
void uplink_lose_line(void);

/* Hands over what is ready while the line is free. False if there was nothing to do. */
bool uplink_step(void);

/* Whether an event or a full frame waits, that which is being sent aside. */
bool uplink_is_behind(void);

#endif
