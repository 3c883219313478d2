/* What goes up the serial line, one item after another: events, replies, frames of samples. */
#ifndef UPLINK_H
#define UPLINK_H

#include <stdbool.h>
#include <stdint.h>

/* Starts with nothing to send. Once. */
void uplink_begin(void);

/* Begins a run: the next frame is its first, with this stamp. */
void uplink_begin_run(uint32_t first_stamp);

/* Notes that a command line was lost; the next frame says so. */
void uplink_report_lost_line(void);

/* Makes the next item ready, and hands one over while the line is idle. Returns false if there was nothing to do. */
bool uplink_step(void);

/* Returns whether an event or a full frame waits, beside the item that is being sent. */
bool uplink_has_backlog(void);

#endif
