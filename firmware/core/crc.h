/* CRC-16 of PROTOCOL.md section 3: polynomial 0x1021, initial value CRC_BEGIN, not reflected. */
#ifndef CRC_H
#define CRC_H

#include <stdint.h>

#define CRC_BEGIN 0xFFFFu

uint16_t crc_add(uint16_t crc, uint8_t byte);

#endif
