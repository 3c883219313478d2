/* The reply to a query, put together piece by piece, and kept until it has been sent. */
#ifndef REPLY_H
#define REPLY_H

#include <stdbool.h>
#include <stdint.h>

#include "rom.h"

void reply_add(char character);
void reply_add_text(const char *text, uint8_t length);
void reply_add_words(const ROM char *words);
void reply_add_whole(uint32_t value);
void reply_add_number(float value);

/* The reply is complete: it is ended and may be sent. */
void reply_finish(void);

/* A whole reply: the number, or the words behind what was added. 0, as an obeyed command returns. */
int16_t reply_answer(uint32_t value);
int16_t reply_answer_words(const ROM char *words);

/* Whether a reply waits to be sent. */
bool reply_is_ready(void);

/* The bytes of the reply, its end included; reply_forget() when they have been sent. */
const uint8_t *reply_bytes(uint8_t *length);
void reply_forget(void);

#endif
