#include "reply.h"

#include "number.h"

/* The longest are lines of the description, of 120 bytes at most. */
enum { LONGEST = 120, ROOM = LONGEST + 2 };

static char reply[ROOM];
static uint8_t reply_length;
static bool reply_ready;

void reply_add(char character)
{
    if (reply_length < LONGEST) {
        reply[reply_length++] = character;
    }
}

void reply_add_text(const char *text, uint8_t length)
{
    while (length-- != 0) {
        reply_add(*text++);
    }
}

void reply_add_words(const ROM char *words)
{
    while (*words != '\0') {
        reply_add(*words++);
    }
}

void reply_add_whole(uint32_t value)
{
    char text[NUMBER_LONGEST];
    reply_add_text(text, number_write_whole(text, value));
}

void reply_add_number(float value)
{
    char text[NUMBER_LONGEST];
    reply_add_text(text, number_write(text, value));
}

void reply_finish(void)
{
    reply[reply_length++] = '\n';
    reply[reply_length++] = '\0';
    reply_ready = true;
}

int16_t reply_answer(uint32_t value)
{
    reply_add_whole(value);
    reply_finish();
    return 0;
}

int16_t reply_answer_words(const ROM char *words)
{
    reply_add_words(words);
    reply_finish();
    return 0;
}

bool reply_is_ready(void)
{
    return reply_ready;
}

const uint8_t *reply_get_bytes(uint8_t *length)
{
    *length = reply_length;
    return (const uint8_t *)reply;
}

void reply_forget(void)
{
    reply_length = 0;
    reply_ready = false;
}
