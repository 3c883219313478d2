/* The board's description of itself (PROTOCOL.md section 8), field by field: a whole line takes too long to be made at one go. */
#ifndef DESCRIPTION_H
#define DESCRIPTION_H

#include <stdint.h>

enum { DESCRIPTION_FIELD_LONGEST = 14 };

uint8_t description_lines(void);

/* Writes a field (0 is the word that the line begins with) of a line, 1 to description_lines(). Returns its length; 0 behind the last. */
uint8_t description_write_field(char *text, uint8_t line, uint8_t field);

#endif
