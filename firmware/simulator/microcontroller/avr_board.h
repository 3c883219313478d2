/* An ATmega328P that runs the board's program, with the digital part of the rig around it, in simulated time.
 *
 * Time is counted in periods of the microcontroller's clock ("cycles") since power-up; resets do not set it back. What the outside does in
 * a stretch of time is set before the stretch is run: voltages at the converter's inputs on a grid, the comparator's edges, the moment at
 * which the hardware latch trips. A run ends early when a switch changes, so that the outside can change with it.
 */
#ifndef AVR_BOARD_H
#define AVR_BOARD_H

#include <stdint.h>

struct board;

/* The outputs: what the rig's switches really do, with enable and latch taken into account. */
struct board_outputs {
    uint8_t master;
    uint8_t loads;
    uint8_t range; /* 0: 36.8 V, 1: 18.8 V */
    uint8_t latched;
};

struct board_counts {
    uint64_t cycle;
    uint64_t asleep;            /* cycles in idle sleep */
    uint64_t in_interrupts;     /* cycles in interrupt routines and those within, their response and return included */
    uint64_t longest_interrupt; /* the longest of these */
    uint64_t interrupts;
    uint64_t longest_receiver_wait; /* cycles from a received byte to its interrupt's beginning; more than 320 lose a byte of a long line */
    uint64_t bytes_lost;        /* received bytes that were not fetched in time */
    uint64_t conversions;
    uint64_t conversions_missed; /* over before the interrupt of the one before was served */
    uint64_t inputs_chosen_early; /* too soon after a conversion has begun: the converter might take it for that one */
    uint64_t resets;
    uint32_t stack_free;        /* bytes of RAM between data and stack that were never written */
    uint32_t state;             /* of the simulated core; not 2 or 3 (running, sleeping): it has crashed */
};

/* Creates a board at its power-up, with `length` bytes of program from address 0. Returns NULL if the simulator does not know the
 * microcontroller. */
struct board *board_create(const uint8_t *program, uint32_t length);
void board_destroy(struct board *b);

/* Resets the board by a cause as in MCUSR: 1 power-up (RAM is lost too), 2 reset pin, 4 brown-out. */
void board_reset(struct board *b, uint8_t cause);

/* Lets the program hang where it is, until the next reset. */
void board_hang(struct board *b);

/* Sets the codes (0..1023 and beyond, not rounded) at the eight inputs, `count` rows of 8, at cycles first + k * step; straight lines
 * between. The memory stays the caller's and must last until the next call. */
void board_set_inputs(struct board *b, int64_t first, uint32_t step, uint32_t count, const float *codes);

/* Sets the edges of the comparator still to come, by ascending cycle; the level after the first one is `level`, and then it alternates. */
void board_set_edges(struct board *b, const uint64_t *cycles, uint32_t count, uint8_t level);

/* Lets every interrupt take so many cycles more from now on: how many it bears before samples are lost is what it has to spare. */
void board_lengthen_interrupts(struct board *b, uint32_t cycles);

/* Sets the latch's inputs: whether something asks it to trip from now on. */
void board_set_trip(struct board *b, uint8_t asked);

/* Runs to this cycle (a few more: an instruction is not cut), or until the outputs have changed. Returns 1 if they have. */
int board_run(struct board *b, uint64_t until);

/* Returns the cycle at which the converter next holds a sample, and writes the cycles to the one after to *period; both 0 if it is off. */
uint64_t board_get_next_hold(struct board *b, uint32_t *period);

/* Sends bytes to the board; they follow one another at the line's speed. */
void board_send(struct board *b, const uint8_t *data, uint32_t length);

/* Returns whether bytes sent have not all been received yet. */
int board_is_receiving(struct board *b);

/* Takes at most `room` bytes that the board has sent, with the cycle at which each was through. Returns how many. */
uint32_t board_take(struct board *b, uint8_t *data, uint64_t *cycles, uint32_t room);

struct board_outputs board_get_outputs(struct board *b);
struct board_counts board_get_counts(struct board *b);

/* Return the 1024 bytes of EEPROM, and registers and RAM by data address, to read and write. */
uint8_t *board_get_eeprom(struct board *b);
uint8_t *board_get_data(struct board *b);

#endif
