/* Numbers between text and value, in the grammar of PROTOCOL.md section 2. */
#ifndef NUMBER_H
#define NUMBER_H

#include <stdbool.h>
#include <stdint.h>

enum { NUMBER_LONGEST = 14 };

/* value may be infinite. is_whole: there is no fraction, and size is the number without its sign, UINT32_MAX for all beyond it. */
struct number {
    float value;
    uint32_t size;
    bool is_whole;
    bool is_negative;
};

/* Reads all of `length` characters to *number. Returns 0, or the error of a text that is no number: -104, -120, -138. */
int16_t number_read(const char *text, uint8_t length, struct number *number);

/* Writes a finite value with as many digits as it needs, at most six, to `text`, which has room for NUMBER_LONGEST characters; no zero
 * byte. Returns the length. A number of up to six digits comes back as it was read, from 1E-30 to 1E30. */
uint8_t number_write(char *text, float value);

/* Writes all digits, at most 10, and no zero byte. Returns the length. */
uint8_t number_write_whole(char *text, uint32_t value);

/* Returns the value that the text of this value has: rounded to six digits. */
float number_round(float value);

#endif
