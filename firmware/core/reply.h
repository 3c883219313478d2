/* The reply to a query: put together piece by piece, and kept until it has been sent. */
#ifndef REPLY_H
#define REPLY_H

#include <stdbool.h>
#include <stdint.h>

#include "rom.h"

/* Add a piece to the reply. Only while none is ready; what is beyond 120 characters is dropped. */
void reply_add(char character);
void reply_add_text(const char *text, uint8_t length);
void reply_add_words(const ROM char *words);
void reply_add_whole(uint32_t value);
void reply_add_number(float value);

/* Ends the reply: it is ready to be sent. */
void reply_finish(void);

/* Add the last piece and end the reply. Return 0, as an executed command does. */
int16_t reply_answer(uint32_t value);
int16_t reply_answer_words(const ROM char *words);

/* Returns whether a reply waits to be sent. */
bool reply_is_ready(void);

/* Returns the bytes of the reply, and their number in *length, end of line and zero byte included. They stay valid until reply_forget(). */
const uint8_t *reply_get_bytes(uint8_t *length);

/* Makes room for the next reply. Only when this one has been sent. */
void reply_forget(void);

#endif
