/* Free-running from input 0 at a 32nd of the clock; each interrupt selects the next input. Results in order; then off, on again, one more. */
#include "probe.h"

static volatile uint8_t taken;

ISR(ADC_vect)
{
    WORDS[taken++] = ADC;
    ADMUX = taken & 7;
}

int main(void)
{
    ADMUX = 0;
    ADCSRA = _BV(ADEN) | _BV(ADSC) | _BV(ADATE) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS0);
    sei();
    while (taken < 12) {
    }
    ADCSRA = _BV(ADIF);
    taken = 12;
    ADMUX = 0;
    ADCSRA = _BV(ADEN) | _BV(ADSC) | _BV(ADATE) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS0);
    while (taken < 14) {
    }
    ADCSRA = _BV(ADIF);
    hold_still();
}
