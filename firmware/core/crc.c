#include "crc.h"

/* One byte without a table: the polynomial has three terms, so the byte's contribution is itself and two shifted copies of it. */
uint16_t crc_add(uint16_t crc, uint8_t byte)
{
    uint8_t top = (uint8_t)((crc >> 8) ^ byte);
    top = (uint8_t)(top ^ (top >> 4));
    return (uint16_t)((crc << 8) ^ (uint16_t)(top << 12) ^ (uint16_t)(top << 5) ^ top);
}
