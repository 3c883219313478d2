#include "store.h"

#include "crc.h"
#include "hal.h"

/* A copy: a byte that says which layout the record has (never 0xFF, which erased memory holds), the counter, the record, its CRC. */
enum { COPIES = 2, COPY_ROOM = 512, LAYOUT = 1, ERASED = 0xFF, AT_LAYOUT = 0, AT_COUNTER = 1, AT_RECORD = 2, CRC_SIZE = 2 };

static uint16_t copy_address(uint8_t copy)
{
    return (uint16_t)(copy * COPY_ROOM);
}

static uint8_t read_byte(uint16_t address)
{
    uint8_t byte;
    hal_read_store(address, &byte, 1);
    return byte;
}

static bool copy_is_good(uint8_t copy, uint16_t length)
{
    uint16_t crc = CRC_BEGIN;
    uint16_t address = copy_address(copy);
    if (read_byte(address) != LAYOUT) {
        return false;
    }
    for (uint16_t left = (uint16_t)(AT_RECORD + length + CRC_SIZE); left != 0; left--) {
        crc = crc_add_byte(crc, read_byte(address++));
    }
    return crc == 0;
}

static uint8_t copy_counter(uint8_t copy)
{
    return read_byte((uint16_t)(copy_address(copy) + AT_COUNTER));
}

/* Returns the newest good copy, or COPIES if none is good. */
static uint8_t newest_copy(uint16_t length)
{
    bool first = copy_is_good(0, length);
    bool second = copy_is_good(1, length);
    if (first && second) {
        return (int8_t)(copy_counter(1) - copy_counter(0)) > 0 ? 1 : 0;
    }
    return first ? 0 : second ? 1 : COPIES;
}

enum store_state store_load(void *record, uint16_t length)
{
    uint8_t copy = newest_copy(length);
    if (copy < COPIES) {
        hal_read_store((uint16_t)(copy_address(copy) + AT_RECORD), record, length);
        return STORE_GOOD;
    }
    bool is_erased = read_byte(copy_address(0)) == ERASED && read_byte(copy_address(1)) == ERASED;
    return is_erased ? STORE_EMPTY : STORE_DAMAGED;
}

void store_save(const void *record, uint16_t length)
{
    uint8_t newest = newest_copy(length);
    uint8_t copy = newest == 0 ? 1 : 0;
    uint8_t head[AT_RECORD];
    head[AT_LAYOUT] = LAYOUT;
    head[AT_COUNTER] = newest == COPIES ? 0 : (uint8_t)(copy_counter(newest) + 1u);
    uint16_t crc = crc_add_byte(crc_add_byte(CRC_BEGIN, head[AT_LAYOUT]), head[AT_COUNTER]);
    const uint8_t *byte = record;
    for (uint16_t k = 0; k < length; k++) {
        crc = crc_add_byte(crc, byte[k]);
    }
    uint8_t tail[CRC_SIZE] = {(uint8_t)(crc >> 8), (uint8_t)crc};
    uint16_t address = copy_address(copy);
    hal_write_store(address, head, AT_RECORD);
    hal_write_store((uint16_t)(address + AT_RECORD), record, length);
    hal_write_store((uint16_t)(address + AT_RECORD + length), tail, CRC_SIZE);
}
