/* The whole board: start, and the turns of the main loop. */
#ifndef BOARD_H
#define BOARD_H

/* Starts the board from reset, all switches open. Once, before board_step(). */
void board_begin(void);

/* Does one turn of the main loop. To be called again at once; must not be kept waiting for 100 ms (watchdog). */
void board_step(void);

#endif
