/* The serial line: 1 Mbaud, 8 data bits, no parity, one stop bit, interrupts both ways. */
#include <avr/interrupt.h>

#include "hal.h"
#include "parts.h"

#define RING 128u

static volatile uint8_t ring[RING];
static volatile uint8_t ring_in, ring_out;
static volatile bool lost;
static const uint8_t *volatile sending;
static volatile uint8_t left;

void serial_begin(void)
{
    UBRR0 = 0;
    UCSR0A = 0;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

/* A byte that came damaged, or behind one that was lost, becomes a 0, which no command has: its line will be refused. */
ISR(USART_RX_vect)
{
    uint8_t status = UCSR0A;
    uint8_t byte = UDR0;
    uint8_t in = ring_in;
    uint8_t following = (uint8_t)(in + 1u) & (RING - 1u);
    if (status & (_BV(FE0) | _BV(DOR0))) {
        byte = 0;
        lost = lost || (status & _BV(DOR0));
    }
    if (following == ring_out) {
        ring[(uint8_t)(in - 1u) & (RING - 1u)] = 0;
        lost = true;
        return;
    }
    ring[in] = byte;
    ring_in = following;
}

ISR(USART_UDRE_vect)
{
    const uint8_t *at = sending;
    UDR0 = *at;
    sending = at + 1;
    if (--left == 0) {
        UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
    }
}

int16_t hal_serial_read(void)
{
    uint8_t out = ring_out;
    if (out == ring_in) {
        return -1;
    }
    uint8_t byte = ring[out];
    ring_out = (uint8_t)(out + 1u) & (RING - 1u);
    return byte;
}

bool hal_serial_has_lost(void)
{
    bool had = lost;
    if (had) {
        lost = false;
    }
    return had;
}

void hal_serial_send(const uint8_t *data, uint8_t length)
{
    sending = data;
    left = length;
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0) | _BV(UDRIE0);
}

/* Once the interrupt is off again everything has left the buffer. */
bool hal_serial_is_idle(void)
{
    return (UCSR0B & _BV(UDRIE0)) == 0;
}
