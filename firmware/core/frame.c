#include "frame.h"

#include "crc.h"

/* With so few bytes no stretch without a zero needs a second code byte, so nothing has to move. */
uint8_t frame_stuff(uint8_t *at, uint8_t length)
{
    uint8_t *code = at;
    uint8_t distance = 1;
    for (uint8_t left = length; left != 0; left--) {
        at++;
        if (*at == 0) {
            *code = distance;
            code = at;
            distance = 0;
        }
        distance++;
    }
    *code = distance;
    at[1] = 0;
    return (uint8_t)(length + 2u);
}

uint8_t frame_finish(uint8_t *frame, uint8_t length)
{
    uint16_t crc = CRC_BEGIN;
    uint8_t *at = frame + AT_TYPE;
    for (uint8_t left = length; left != 0; left--) {
        crc = crc_add(crc, *at++);
    }
    at[0] = (uint8_t)(crc >> 8);
    at[1] = (uint8_t)crc;
    return frame_stuff(frame + AT_CODE, (uint8_t)(length + 2u));
}
