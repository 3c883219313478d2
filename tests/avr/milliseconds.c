/* Timer 2 as a clock of milliseconds, for two seconds of timer 1. */
#include "probe.h"

static volatile uint16_t ticks, overflows;

ISR(TIMER2_COMPA_vect)
{
    ticks++;
}

ISR(TIMER1_OVF_vect)
{
    overflows++;
}

int main(void)
{
    TCCR1B = _BV(CS10);
    TIMSK1 = _BV(TOIE1);
    TCCR2A = _BV(WGM21);
    TCCR2B = _BV(CS22) | _BV(CS20);
    OCR2A = 124;
    TIMSK2 = _BV(OCIE2A);
    sei();
    for (;;) {
        cli();
        WORDS[0] = ticks;
        WORDS[1] = overflows;
        sei();
        __asm__ volatile("nop"); /* or no interrupt would ever come between sei and cli */
    }
}
