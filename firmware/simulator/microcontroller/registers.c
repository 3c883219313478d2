/* Registers and interrupts, as the parts have them. */
#include "parts.h"

void registers_replace(struct board *b, uint16_t address, avr_io_read_t read, avr_io_write_t write)
{
    int at = AVR_DATA_TO_IO(address);
    b->avr->io[at].r.c = read;
    b->avr->io[at].r.param = b;
    b->avr->io[at].w.c = write;
    b->avr->io[at].w.param = b;
}

void registers_request(struct board *b, uint8_t vector)
{
    if (b->vectors[vector] != NULL) {
        avr_raise_interrupt(b->avr, b->vectors[vector]);
    }
}
