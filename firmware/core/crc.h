/* The CRC-16 of PROTOCOL.md section 3: polynomial 0x1021, initial value CRC_BEGIN, not reflected. */
#ifndef CRC_H
#define CRC_H

#include <stdint.h>

#define CRC_BEGIN 0xFFFFu

/* Return the CRC of all that `crc` stands for with these bytes behind it. */
uint16_t crc_add_bytes(uint16_t crc, const uint8_t *bytes, uint8_t length);
uint16_t crc_add_byte(uint16_t crc, uint8_t byte);

#endif
