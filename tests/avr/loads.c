/* Shifts a pattern out, takes it over, arms, disarms, arms, closes the master, lets go of ARM; a mark before each step, time enough between. */
#include "probe.h"

#include <util/delay.h>

#define RCLK _BV(PB2)
#define ARM _BV(PD3)
#define MASTER _BV(PD5)

static void pause(void)
{
    _delay_us(100);
}

int main(void)
{
    DDRB = RCLK | _BV(PB3) | _BV(PB5);
    DDRD = ARM | MASTER;
    SPCR = _BV(SPE) | _BV(MSTR);
    SPSR = _BV(SPI2X);
    PORTD = ARM;
    TCCR1B = _BV(CS10);
    uint16_t began = TCNT1;
    SPDR = 0xA5;
    loop_until_bit_is_set(SPSR, SPIF);
    WORDS[0] = TCNT1 - began;
    pause(); /* shifted, not taken over */
    PORTB = RCLK;
    pause(); /* A5 */
    PORTB = 0;
    PORTD = 0;
    pause(); /* open */
    PORTD = ARM | MASTER;
    pause(); /* A5 and master */
    DDRD = MASTER;
    pause(); /* ARM floats: the rig pulls it down */
    hold_still();
}
