/* Fifty bytes, each as soon as there is room. */
#include "probe.h"

int main(void)
{
    UBRR0 = 0;
    UCSR0B = _BV(TXEN0);
    for (uint8_t k = 0; k < 50; k++) {
        loop_until_bit_is_set(UCSR0A, UDRE0);
        UDR0 = k;
    }
    hold_still();
}
