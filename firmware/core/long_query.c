#include "long_query.h"

#include <stdbool.h>
#include <stdint.h>

#include "crc.h"
#include "description.h"
#include "reply.h"
#include "selftest.h"
#include "status.h"

/* The query that is running, and the next field of the description. */
static enum { TASK_NONE, TASK_LINE, TASK_CHECK, TASK_SELF_TEST } task;
static uint8_t task_line;
static uint8_t task_field;
static uint16_t task_crc;

static void begin_description(uint8_t line)
{
    task_line = line;
    task_field = 0;
    task_crc = CRC_BEGIN;
}

void long_query_begin_line(uint8_t line)
{
    begin_description(line);
    task = TASK_LINE;
}

void long_query_begin_check(void)
{
    begin_description(1);
    task = TASK_CHECK;
}

void long_query_begin_selftest(void)
{
    selftest_begin();
    task = TASK_SELF_TEST;
}

/* Adds one field of the description, with the comma or the line's end before it, to the reply or to the check. Returns whether the line has
 * ended. */
static bool read_field(void)
{
    char text[1 + DESCRIPTION_FIELD_LONGEST];
    uint8_t length = description_write_field(text + 1, task_line, task_field);
    bool is_over = length == 0;
    text[0] = is_over ? '\n' : ',';
    uint8_t begin = task_field == 0 ? 1 : 0;
    if (task == TASK_CHECK) {
        for (uint8_t k = begin; k <= length; k++) {
            task_crc = crc_add_byte(task_crc, (uint8_t)text[k]);
        }
    } else if (!is_over) {
        reply_add_text(text + begin, (uint8_t)(length + 1u - begin));
    }
    task_field++;
    return is_over;
}

static void finish(void)
{
    reply_finish();
    task = TASK_NONE;
}

static void read_line(void)
{
    if (read_field()) {
        finish();
    }
}

static void check_description(void)
{
    if (!read_field()) {
        return;
    }
    task_line++;
    task_field = 0;
    if (task_line > description_count_lines()) {
        reply_add_whole(task_crc);
        finish();
    }
}

static void test(void)
{
    if (selftest_step()) {
        return;
    }
    if (selftest_get_result() != 0) {
        status_add_error(ERROR_SELF_TEST);
    }
    reply_add_whole(selftest_get_result());
    finish();
}

bool long_query_is_running(void)
{
    return task != TASK_NONE;
}

bool long_query_step(void)
{
    switch (task) {
    case TASK_NONE:
        return false;
    case TASK_LINE:
        read_line();
        return true;
    case TASK_CHECK:
        check_description();
        return true;
    default:
        test();
        return true;
    }
}
