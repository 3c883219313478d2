/* EEPROM, and the program's own bytes. */
#include <avr/eeprom.h>
#include <avr/pgmspace.h>
#include <avr/wdt.h>

#include "hal.h"

/* Set by the linker: where the program and its initial data end. Behind them the build puts their CRC. */
extern const uint8_t __data_load_end[];

void hal_read_store(uint16_t address, void *data, uint16_t length)
{
    eeprom_read_block(data, (const void *)(uintptr_t)address, length);
}

void hal_write_store(uint16_t address, const void *data, uint16_t length)
{
    const uint8_t *byte = data;
    for (uint16_t k = 0; k < length; k++) {
        wdt_reset();
        eeprom_update_byte((uint8_t *)(uintptr_t)(address + k), byte[k]);
    }
    eeprom_busy_wait();
}

uint16_t hal_get_program_length(void)
{
    return (uint16_t)((uint16_t)(uintptr_t)__data_load_end + 2u);
}

uint8_t hal_read_program(uint16_t address)
{
    return pgm_read_byte(address);
}
