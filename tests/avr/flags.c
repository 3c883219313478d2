/* Clearing one flag of a timer leaves the others; a flag that is set interrupts when its mask lets it; one instruction passes after sei. */
#include "probe.h"

ISR(TIMER1_COMPA_vect)
{
    RESULT[2] = GPIOR0;
    RESULT[3]++;
}

int main(void)
{
    RESULT[2] = 0xEE;
    RESULT[3] = 0;
    OCR1A = 100;
    OCR1B = 120;
    TCCR1B = _BV(CS10);
    while ((TIFR1 & (_BV(OCF1A) | _BV(OCF1B))) != (_BV(OCF1A) | _BV(OCF1B))) {
    }
    RESULT[0] = TIFR1;
    TIFR1 = _BV(OCF1B);
    RESULT[1] = TIFR1;
    OCR1A = 0xFFFF;
    TIMSK1 = _BV(OCIE1A);
    GPIOR0 = 0;
    __asm__ volatile("ldi r24, 1\n\t"
                     "ldi r25, 2\n\t"
                     "sei\n\t"
                     "out %[mark], r24\n\t"
                     "out %[mark], r25\n\t"
                     :
                     : [mark] "I"(_SFR_IO_ADDR(GPIOR0))
                     : "r24", "r25");
    hold_still();
}
