/* Finishes frames in place: CRC, stuffing, and the zero byte at the end (PROTOCOL.md section 3). */
#ifndef FRAME_H
#define FRAME_H

#include <stdint.h>

#include "wire.h"

/* Stuffs the bytes at[1] .. at[length], at most 253 of them. The code byte goes to at[0], a zero byte behind the last one. Returns the
 * number of bytes from at[0] on. */
uint8_t frame_stuff(uint8_t *at, uint8_t length);

/* Appends the CRC to `length` bytes of header and body from frame[AT_TYPE] on, and stuffs them; frame has room for four bytes more. Returns
 * the number of bytes from frame[AT_CODE] on. */
uint8_t frame_finish(uint8_t *frame, uint8_t length);

#endif
