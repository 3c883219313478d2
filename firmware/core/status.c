#include "status.h"

#include <string.h>

enum { QUEUE = 8, ERROR_QUEUE_BIT = 0x04, SUMMARY_BIT = 0x20, MASTER_BIT = 0x40 };
enum { DEVICE_BIT = 0x08, EXECUTION_BIT = 0x10, COMMAND_BIT = 0x20 };

struct text {
    int16_t error;
    char text[24];
};

static const ROM struct text texts[] = {
    {ERROR_NONE, "No error"},
    {ERROR_CHARACTER, "Invalid character"},
    {ERROR_SEPARATOR, "Invalid separator"},
    {ERROR_TYPE, "Data type error"},
    {ERROR_PARAMETER, "Parameter not allowed"},
    {ERROR_MISSING, "Missing parameter"},
    {ERROR_HEADER, "Undefined header"},
    {ERROR_NUMBER, "Numeric data error"},
    {ERROR_SUFFIX, "Suffix not allowed"},
    {ERROR_EXPRESSION, "Invalid expression"},
    {ERROR_INIT, "Init ignored"},
    {ERROR_CONFLICT, "Settings conflict"},
    {ERROR_RANGE, "Data out of range"},
    {ERROR_VALUE, "Illegal parameter value"},
    {ERROR_SELF_TEST, "Self-test failed"},
    {ERROR_OVERFLOW, "Queue overflow"},
    {ERROR_OVERRUN, "Input buffer overrun"},
};

static struct {
    int16_t errors[QUEUE];
    uint8_t count;
    uint8_t event;
    uint8_t event_enable;
    uint8_t service_enable;
} status;

void status_begin(void)
{
    status.event = STATUS_POWER_ON;
}

void status_add_error(int16_t error)
{
    if (status.count == QUEUE) {
        error = ERROR_OVERFLOW;
        status.count--;
    }
    status.errors[status.count++] = error;
    status.event |= error > -200 ? COMMAND_BIT : error > -300 ? EXECUTION_BIT : DEVICE_BIT;
}

int16_t status_take_error(void)
{
    if (status.count == 0) {
        return ERROR_NONE;
    }
    int16_t error = status.errors[0];
    status.count--;
    memmove(status.errors, status.errors + 1, sizeof status.errors - sizeof status.errors[0]);
    return error;
}

uint8_t status_count_errors(void)
{
    return status.count;
}

const ROM char *status_get_text(int16_t error)
{
    const ROM struct text *row = texts;
    while (row->error != error) {
        row++;
    }
    return row->text;
}

void status_clear(void)
{
    status.count = 0;
    status.event = 0;
}

void status_set_event(uint8_t bits)
{
    status.event |= bits;
}

uint8_t status_take_event(void)
{
    uint8_t event = status.event;
    status.event = 0;
    return event;
}

uint8_t status_get_byte(void)
{
    uint8_t byte = status.count != 0 ? ERROR_QUEUE_BIT : 0;
    if (status.event & status.event_enable) {
        byte |= SUMMARY_BIT;
    }
    if (byte & status.service_enable) {
        byte |= MASTER_BIT;
    }
    return byte;
}

uint8_t status_get_event_enable(void)
{
    return status.event_enable;
}

uint8_t status_get_service_enable(void)
{
    return status.service_enable;
}

void status_set_event_enable(uint8_t bits)
{
    status.event_enable = bits;
}

void status_set_service_enable(uint8_t bits)
{
    status.service_enable = bits;
}
