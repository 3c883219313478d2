/* Writes 0x12 to byte 7 and 0x34 to byte 8, and says how long each took in units of 64 clocks. */
#include "probe.h"

int main(void)
{
    TCCR1B = _BV(CS11) | _BV(CS10);
    for (uint8_t k = 0; k < 2; k++) {
        uint16_t began = TCNT1;
        eeprom_write_byte((uint8_t *)(uintptr_t)(7 + k), k == 0 ? 0x12 : 0x34);
        eeprom_busy_wait();
        WORDS[k] = TCNT1 - began;
    }
    hold_still();
}
