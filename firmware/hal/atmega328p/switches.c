/* Loads behind a shift register, the master switch, the latch of the hardware trips, the voltage range. */
#include <util/delay_basic.h>

#include "hal.h"
#include "parts.h"
#include "pins.h"

void switches_begin(void)
{
    /* ARM, MASTER and the loads low before they are driven; the latch left as it is. TRIP has a pull-up: a broken wire is a
     * trip. So has RX: a broken wire is silence. */
    PORTD = PIN_RX | PIN_TRIP | PIN_CLEAR | PIN_RANGE;
    DDRD = PIN_TX | PIN_ARM | PIN_MASTER | PIN_CLEAR | PIN_RANGE;
    PORTB = PIN_MISO;
    DDRB = PIN_RCLK | PIN_MOSI | PIN_SCK;
    SPCR = _BV(SPE) | _BV(MSTR);
    SPSR = _BV(SPI2X);
    hal_write_switches(false, 0);
}

void hal_write_switches(bool master, uint8_t loads)
{
    if (!master) {
        PORTD &= (uint8_t)~PIN_MASTER;
        if (loads == 0) {
            PORTD &= (uint8_t)~PIN_ARM;
        }
    }
    SPDR = loads;
    loop_until_bit_is_set(SPSR, SPIF);
    PORTB |= PIN_RCLK;
    PORTB &= (uint8_t)~PIN_RCLK;
    if (loads != 0) {
        PORTD |= PIN_ARM;
    }
    if (master) {
        PORTD |= PIN_ARM;
        PORTD |= PIN_MASTER;
    }
}

bool hal_latch_is_set(void)
{
    return (PIND & PIN_TRIP) != 0;
}

void hal_clear_latch(void)
{
    PORTD &= (uint8_t)~PIN_CLEAR;
    _delay_loop_1(10); /* 2 us */
    PORTD |= PIN_CLEAR;
}

void hal_write_range(uint8_t range)
{
    if (range == 1) {
        PORTD &= (uint8_t)~PIN_RANGE;
    } else {
        PORTD |= PIN_RANGE;
    }
}
