#include "frame.h"

#include "crc.h"

/* With so few bytes no stretch without a zero needs a second code byte, so nothing has to move. */
uint8_t frame_stuff(uint8_t *at, uint8_t length)
{
    uint8_t *code = at++;
    uint8_t distance = 1;
    for (uint8_t left = length; left != 0; left--) {
        if (*at == 0) {
            *code = distance;
            code = at;
            distance = 0;
        }
        distance++;
        at++;
    }
    *code = distance;
    *at = 0;
    return (uint8_t)(length + 2u);
}

uint8_t frame_finish(uint8_t *frame, uint8_t length)
{
    uint8_t *begin = frame + AT_TYPE;
    uint16_t crc = crc_add_bytes(CRC_BEGIN, begin, length);
    begin[length] = (uint8_t)(crc >> 8);
    begin[length + 1u] = (uint8_t)crc;
    return frame_stuff(frame + AT_CODE, (uint8_t)(length + 2u));
}
