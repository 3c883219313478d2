/* How each part of the hardware is set up; hal_begin() calls them, switches first. */
#ifndef PARTS_H
#define PARTS_H

#include <avr/io.h>
#include <stdint.h>

#define SERIAL_RING 128

void switches_begin(void);
void clock_begin(void);
void serial_begin(void);

extern volatile uint8_t serial_ring[], serial_in, serial_out, serial_lost;
extern const uint8_t *serial_sending;
extern volatile uint8_t serial_left;

/* Gives the next byte to the serial line if there is one and room for it. To be called from the converter's interrupt, which comes often
 * enough. */
static inline void serial_feed(void)
{
    uint8_t left = serial_left;
    if (left != 0 && (UCSR0A & _BV(UDRE0))) {
        UDR0 = *serial_sending++;
        serial_left = (uint8_t)(left - 1u);
    }
}

/* Takes a byte that has been received, in the place of the receiver's own interrupt: for interrupts that come before that one. */
static inline __attribute__((always_inline)) void serial_fetch(void)
{
    uint8_t status = UCSR0A;
    if (status & _BV(RXC0)) {
        uint8_t byte = UDR0;
        uint8_t in = serial_in;
        uint8_t next = (uint8_t)(in + 1u) & (SERIAL_RING - 1u);
        if (status & (_BV(FE0) | _BV(DOR0))) {
            byte = 0;
            serial_lost = serial_lost | (status & _BV(DOR0));
        }
        if (next == serial_out) { /* full: what was stored last is spoilt */
            in = (uint8_t)(in - 1u) & (SERIAL_RING - 1u);
            next = serial_in;
            byte = 0;
            serial_lost = 1;
        }
        serial_ring[in] = byte;
        serial_in = next;
    }
}

#endif
