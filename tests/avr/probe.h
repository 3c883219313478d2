/* Small programs that try one thing each of the simulated microcontroller. What they find out stands at RESULT when they hold still. */
#ifndef PROBE_H
#define PROBE_H

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdint.h>

#define RESULT ((volatile uint8_t *)0x500)
#define WORDS ((volatile uint16_t *)0x500)

static inline void hold_still(void)
{
    for (;;) {
    }
}

#endif
