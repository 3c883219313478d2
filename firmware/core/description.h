/* The board's description of itself (PROTOCOL.md section 8), field by field, because a whole line would take too long in one go. */
#ifndef DESCRIPTION_H
#define DESCRIPTION_H

#include <stdint.h>

enum { DESCRIPTION_FIELD_LONGEST = 14 };

/* Returns the number of lines; a calibrated board has one more. */
uint8_t description_count_lines(void);

/* Writes one field of a line, 1 to description_count_lines(), to `text`, which has room for DESCRIPTION_FIELD_LONGEST characters. Field 0
 * is the word that the line begins with. Returns the field's length; 0 behind the last field. */
uint8_t description_write_field(char *text, uint8_t line, uint8_t field);

#endif
