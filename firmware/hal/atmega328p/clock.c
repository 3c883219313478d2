/* Timer 1 counts periods of the clock and captures the comparator's edge, timer 0 counts its rising edges, timer 2 milliseconds. */
#include <avr/interrupt.h>

#include "hal.h"
#include "parts.h"
#include "pins.h"

static volatile uint16_t clock_high;
static volatile uint32_t milliseconds;
static volatile uint32_t captured_clock;
static volatile bool captured;

void clock_begin(void)
{
    TCCR1A = 0;
    TCCR1B = _BV(CS10);
    TIMSK1 = _BV(TOIE1);
    TCCR0A = 0;
    TCCR0B = _BV(CS02) | _BV(CS01) | _BV(CS00);
    TCCR2A = _BV(WGM21);
    TCCR2B = _BV(CS22) | _BV(CS20); /* 16 MHz / 128 */
    OCR2A = 124;
    TIMSK2 = _BV(OCIE2A);
}

/* The whole count that belongs to a reading of the low half just made. An overflow not yet served counts if the reading is from after it.
 */
static uint32_t whole_clock(uint16_t low)
{
    uint16_t high = clock_high;
    if ((TIFR1 & _BV(TOV1)) && low < 0x8000u) {
        high++;
    }
    return (uint32_t)high << 16 | low;
}

ISR(TIMER1_OVF_vect)
{
    clock_high++;
}

ISR(TIMER1_CAPT_vect)
{
    captured_clock = whole_clock(ICR1);
    captured = true;
    TIMSK1 &= (uint8_t)~_BV(ICIE1);
}

ISR(TIMER2_COMPA_vect)
{
    milliseconds++;
}

uint32_t hal_read_clock(void)
{
    uint8_t before = SREG;
    cli();
    uint32_t clock = whole_clock(TCNT1);
    SREG = before;
    return clock;
}

uint32_t hal_read_milliseconds(void)
{
    cli();
    uint32_t now = milliseconds;
    sei();
    return now;
}

bool hal_comparator_is_high(void)
{
    return (PINB & PIN_COMPARATOR) != 0;
}

uint8_t hal_read_comparator_rises(void)
{
    return TCNT0;
}

void hal_arm_capture(bool rising)
{
    TIMSK1 &= (uint8_t)~_BV(ICIE1);
    TCCR1B = rising ? _BV(CS10) | _BV(ICES1) : _BV(CS10);
    TIFR1 = _BV(ICF1);
    captured = false;
    TIMSK1 |= _BV(ICIE1);
}

bool hal_read_capture(uint32_t *clock)
{
    if (!captured) {
        return false;
    }
    *clock = captured_clock; /* the interrupt is off since */
    return true;
}
