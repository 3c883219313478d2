/* How each part of the hardware is set up; hal_begin() calls them, switches first. */
#ifndef PARTS_H
#define PARTS_H

#include <avr/io.h>
#include <stdint.h>

void switches_begin(void);
void clock_begin(void);
void serial_begin(void);

extern const uint8_t *serial_sending;
extern volatile uint8_t serial_left;

/* Hands the next byte to the serial line if there is one and room for it. From the converter's interrupt, which comes often enough. */
static inline void serial_feed(void)
{
    uint8_t left = serial_left;
    if (left != 0 && (UCSR0A & _BV(UDRE0))) {
        UDR0 = *serial_sending++;
        serial_left = (uint8_t)(left - 1u);
    }
}

#endif
