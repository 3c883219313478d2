/* Captures rising edges at ICP1, and counts those at T0. */
#include "probe.h"

int main(void)
{
    TCCR0B = _BV(CS02) | _BV(CS01) | _BV(CS00);
    TCCR1B = _BV(CS10) | _BV(ICES1);
    for (uint8_t k = 0; k < 4; k++) {
        loop_until_bit_is_set(TIFR1, ICF1);
        WORDS[k] = ICR1;
        TIFR1 = _BV(ICF1);
        RESULT[16 + k] = TCNT0;
    }
    hold_still();
}
