/* Looks at the receiver only after a millisecond: status, then all bytes that are there. */
#include "probe.h"

#include <util/delay.h>

int main(void)
{
    UBRR0 = 0;
    UCSR0B = _BV(RXEN0);
    _delay_ms(1);
    RESULT[0] = UCSR0A;
    uint8_t count = 0;
    while (UCSR0A & _BV(RXC0)) {
        RESULT[2 + count++] = UDR0;
    }
    RESULT[1] = count;
    RESULT[8] = UCSR0A;
    hold_still();
}
