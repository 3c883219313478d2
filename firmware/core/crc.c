#include "crc.h"

/* One byte without a table: the polynomial has three terms, so the byte's contribution is itself and two shifted copies of it. All in single
 * bytes, which is four times as fast on a machine of eight bits as in words. */
uint16_t crc_add(uint16_t crc, uint8_t byte)
{
    uint8_t top = (uint8_t)((uint8_t)(crc >> 8) ^ byte);
    top = (uint8_t)(top ^ (uint8_t)(top >> 4));
    uint8_t high = (uint8_t)((uint8_t)crc ^ (uint8_t)(top << 4) ^ (uint8_t)(top >> 3));
    uint8_t low = (uint8_t)(top ^ (uint8_t)(top << 5));
    return (uint16_t)((uint16_t)high << 8 | low);
}
