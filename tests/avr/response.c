/* From a compare match to the first instruction of its interrupt: once out of a row of one-clock instructions, once out of sleep. */
#include "probe.h"

static volatile uint8_t which;

ISR(TIMER1_COMPA_vect, ISR_NAKED)
{
    __asm__ volatile("lds r20, %[low]\n\t"
                     "lds r21, %[high]\n\t"
                     "ldi r22, 1\n\t"
                     "reti\n\t"
                     :
                     : [low] "n"(_SFR_MEM_ADDR(TCNT1L)), [high] "n"(_SFR_MEM_ADDR(TCNT1H)));
}

#define NOPS_16 "nop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\t"

int main(void)
{
    uint8_t low, high;
    TCCR1B = _BV(CS10);
    OCR1A = TCNT1 + 60;
    TIFR1 = _BV(OCF1A); /* of the match with 0 at the start */
    TIMSK1 = _BV(OCIE1A);
    __asm__ volatile("sei\n\t" NOPS_16 NOPS_16 NOPS_16 NOPS_16 NOPS_16 NOPS_16 "cli\n\tmov %[low], r20\n\tmov %[high], r21\n\t"
                     : [low] "=&r"(low), [high] "=&r"(high)
                     :
                     : "r20", "r21", "r22");
    WORDS[0] = (uint16_t)(high << 8 | low) - OCR1A;
    set_sleep_mode(SLEEP_MODE_IDLE);
    sleep_enable();
    OCR1A = TCNT1 + 200;
    __asm__ volatile("sei\n\tsleep\n\tcli\n\tmov %[low], r20\n\tmov %[high], r21\n\t"
                     : [low] "=&r"(low), [high] "=&r"(high)
                     :
                     : "r20", "r21", "r22");
    WORDS[1] = (uint16_t)(high << 8 | low) - OCR1A;
    hold_still();
}
