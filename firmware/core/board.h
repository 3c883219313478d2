/* The whole board. */
#ifndef BOARD_H
#define BOARD_H

/* From reset, everything open. */
void board_begin(void);

/* One turn of the main loop. */
void board_step(void);

#endif
