/* The error queue and the registers of IEEE 488.2. */
#ifndef STATUS_H
#define STATUS_H

#include <stdint.h>

#include "rom.h"

/* Numbers of SCPI-1999, volume 2, chapter 21. */
enum error {
    ERROR_NONE = 0,
    ERROR_CHARACTER = -101,
    ERROR_SEPARATOR = -103,
    ERROR_TYPE = -104,
    ERROR_PARAMETER = -108,
    ERROR_MISSING = -109,
    ERROR_HEADER = -113,
    ERROR_NUMBER = -120,
    ERROR_SUFFIX = -138,
    ERROR_EXPRESSION = -171,
    ERROR_INIT = -213,
    ERROR_CONFLICT = -221,
    ERROR_RANGE = -222,
    ERROR_VALUE = -224,
    ERROR_SELF_TEST = -330,
    ERROR_OVERFLOW = -350,
    ERROR_OVERRUN = -363,
};

enum { STATUS_OPERATION_COMPLETE = 0x01, STATUS_POWER_ON = 0x80 };

/* Sets the power-on bit. Once. */
void status_begin(void);

/* Queues an error and sets the bit of its kind. A full queue ends in ERROR_OVERFLOW. */
void status_add_error(int16_t error);

/* Takes the oldest error out of the queue and returns it; ERROR_NONE if there is none. */
int16_t status_take_error(void);

/* Returns the number of queued errors. */
uint8_t status_count_errors(void);

/* Returns the text of an error, one of enum error; it ends with a zero byte. */
const ROM char *status_get_text(int16_t error);

/* Clears error queue and event register (*CLS). */
void status_clear(void);

/* Sets bits of the event register. */
void status_set_event(uint8_t bits);

/* Returns the event register and clears it (*ESR?). */
uint8_t status_take_event(void);

/* Returns the status byte (*STB?). */
uint8_t status_get_byte(void);

/* Return and set the masks of *ESE and *SRE. */
uint8_t status_get_event_enable(void);
uint8_t status_get_service_enable(void);
void status_set_event_enable(uint8_t bits);
void status_set_service_enable(uint8_t bits);

#endif
