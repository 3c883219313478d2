/* The free-running converter. Its interrupt stores the sample, selects the input for the conversion after the next, and sends two bytes. */
#include <avr/interrupt.h>
#include <util/delay_basic.h>

#include "hal.h"
#include "sampler.h"

#include "parts.h"
#include "pins.h"

#define PRESCALER_FAST (_BV(ADPS2) | _BV(ADPS0))                    /* 16 MHz / 32 */
#define PRESCALER_PRECISE (_BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0))    /* 16 MHz / 128 */

/* A first conversion holds its sample after 13.5 periods of the converter's clock, which starts with ADEN (data sheet, "Prescaling and
 * Conversion Timing"). */
#define HOLD_FAST 432u
#define HOLD_PRECISE 1728u

static bool slow;

ISR(ADC_vect)
{
    /* A new input must not be selected in the first period of the conversion that has just begun: 32 clocks have passed by now, 128 may
     * not have; nor later than it ends. */
    uint8_t ahead = sampler_get_input_ahead();
    if (!slow) {
        ADMUX = ahead;
    }
    serial_feed();
    sampler_take_count(ADC, (PINB & PIN_COMPARATOR) != 0);
    if (slow) {
        sei();
        _delay_loop_1(40);
        cli();
        ADMUX = ahead;
    }
    serial_feed();
    serial_fetch();
}

/* Switches the converter on and reads the timer, the same number of clocks apart every time: the reading is made two clocks after the
 * write. */
static uint32_t begin(uint8_t control)
{
    uint8_t low, high;
    __asm__ volatile("sts %[adcsra], %[control]\n\t"
                     "lds %[low], %[tcnt1l]\n\t"
                     "lds %[high], %[tcnt1h]\n\t"
                     : [low] "=&r"(low), [high] "=r"(high)
                     : [control] "r"(control), [adcsra] "n"(_SFR_MEM_ADDR(ADCSRA)), [tcnt1l] "n"(_SFR_MEM_ADDR(TCNT1L)),
                       [tcnt1h] "n"(_SFR_MEM_ADDR(TCNT1H)));
    uint16_t read = (uint16_t)(high << 8 | low);
    uint32_t now = hal_read_clock();
    return now - (uint16_t)((uint16_t)now - read) - 2u;
}

bool hal_converter_has_ended(void)
{
    return (ADCSRA & _BV(ADIF)) != 0;
}

uint32_t hal_start_converter(enum hal_mode mode)
{
    ADCSRA = _BV(ADIF); /* off, no interrupt pending */
    ADCSRB = 0;
    DIDR0 = 0x3F;
    ADMUX = sampler_get_input(0); /* always with the external reference */
    slow = mode == HAL_PRECISE;
    uint32_t began =
        begin((uint8_t)(_BV(ADEN) | _BV(ADSC) | _BV(ADATE) | _BV(ADIE) | (slow ? PRESCALER_PRECISE : PRESCALER_FAST)));
    /* One and a half periods of its clock: the first input is taken. A slow one's are longer than received bytes can wait; its interrupt
     * is far away. */
    if (slow) {
        sei();
        _delay_loop_2(48);
        cli();
    } else {
        _delay_loop_2(12);
    }
    ADMUX = sampler_get_input(1);
    return began + (slow ? HOLD_PRECISE : HOLD_FAST);
}
