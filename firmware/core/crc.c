#include "crc.h"

/* Without a table: the polynomial has three terms, so a byte's contribution is itself and two shifted copies of it. In single bytes,
 * which takes a machine of eight bits a quarter of the time that words would. */
uint16_t crc_add_bytes(uint16_t crc, const uint8_t *bytes, uint8_t length)
{
    uint8_t high = (uint8_t)(crc >> 8);
    uint8_t low = (uint8_t)crc;
    for (; length != 0; length--) {
        uint8_t top = (uint8_t)(high ^ *bytes++);
        top = (uint8_t)(top ^ (uint8_t)(top >> 4));
        high = (uint8_t)(low ^ (uint8_t)(top << 4) ^ (uint8_t)(top >> 3));
        low = (uint8_t)(top ^ (uint8_t)(top << 5));
    }
    return (uint16_t)((uint16_t)high << 8 | low);
}

uint16_t crc_add_byte(uint16_t crc, uint8_t byte)
{
    return crc_add_bytes(crc, &byte, 1);
}
