/* Finishes frames in place: CRC, stuffing, the zero byte at the end (PROTOCOL.md section 3). */
#ifndef FRAME_H
#define FRAME_H

#include <stdint.h>

#include "wire.h"

/* Stuffs the bytes at[1] .. at[length], at most 253 of them; the code byte goes to at[0], a zero byte behind the last. Returns how many
 * bytes these are from at[0] on. */
uint8_t frame_stuff(uint8_t *at, uint8_t length);

/* The same for `length` bytes of header and body from frame[AT_TYPE] on, their CRC appended. Returns how many bytes these are from
 * frame[AT_CODE] on. */
uint8_t frame_finish(uint8_t *frame, uint8_t length);

#endif
