/* Runs of sampling: what begins and ends with one. */
#ifndef RUN_H
#define RUN_H

/* Begins the next run. Only while no run is on. */
void run_start(void);

/* Ends the run, if one is on; an event reports it. */
void run_stop(void);

#endif
