/* Parameters of commands (PROTOCOL.md section 2): text to values. */
#ifndef PARAMETER_H
#define PARAMETER_H

#include <stdint.h>

/* Kinds, as the table of commands names them. */
enum parameter_kind {
    KIND_BOOLEAN = 'b',
    KIND_NUMBER = 'x',
    KIND_WHOLE = 'n',
    KIND_MODE = 'm',
    KIND_LOADS = 'l',
    KIND_NAME = 'w',
};

/* A stretch of a line. */
struct words {
    const char *text;
    uint8_t length;
};

/* Among the loads: a number that no load has. */
enum { LOADS_UNKNOWN = 0x100 };

union value {
    uint8_t boolean;
    float number;  /* may be infinite */
    int32_t whole; /* INT32_MAX or -INT32_MAX stand for all beyond */
    uint8_t is_precise;
    uint16_t loads; /* bit n-1 for load n, and LOADS_UNKNOWN */
    struct words name;
};

/* Reads one parameter. 0 or the error that it is. */
int16_t parameter_read(enum parameter_kind kind, struct words words, union value *value);

char parameter_upper(char c);

#endif
