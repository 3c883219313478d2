/* Memory that survives power-down, in which the power can fail in the middle of a byte, and the program as it lies in memory. */
#include "parts.h"

#include <string.h>

#include "crc.h"

enum { WRITING = 54400, PROGRAM = 3000 };

uint8_t host_store[HOST_STORE];
uint32_t host_writes_left = UINT32_MAX;
void (*host_power_failed)(void);
uint16_t host_flipped_byte = UINT16_MAX;

void hal_read_store(uint16_t address, void *data, uint16_t length)
{
    host_spend_clocks(CALL);
    memcpy(data, host_store + address, length);
}

void hal_write_store(uint16_t address, const void *data, uint16_t length)
{
    const uint8_t *byte = data;
    for (uint16_t k = 0; k < length; k++) {
        if (host_writes_left-- == 0) {
            /* Half written: the byte was erased and some of its bits have been set. */
            host_store[address + k] = byte[k] | 0xA5;
            host_power_failed();
        }
        if (host_store[address + k] != byte[k]) {
            host_store[address + k] = byte[k];
            host_spend_clocks(WRITING);
        }
        hal_feed_watchdog();
    }
}

static uint8_t program_byte(uint16_t address)
{
    return (uint8_t)(address * 7u + (address >> 8));
}

uint16_t hal_get_program_length(void)
{
    return PROGRAM + 2;
}

uint8_t hal_read_program(uint16_t address)
{
    host_spend_clocks(CALL);
    uint8_t byte = program_byte(address);
    if (address >= PROGRAM) {
        uint16_t crc = CRC_BEGIN;
        for (uint16_t k = 0; k < PROGRAM; k++) {
            crc = crc_add_byte(crc, program_byte(k));
        }
        byte = (uint8_t)(address == PROGRAM ? crc >> 8 : crc);
    }
    return address == host_flipped_byte ? byte ^ 1 : byte;
}
