/* Parameters of commands (PROTOCOL.md section 2): text to values. */
#ifndef PARAMETER_H
#define PARAMETER_H

#include <stdint.h>

/* Kinds, as the table of commands names them; each fills the member of union value beside it. */
enum parameter_kind {
    KIND_BOOLEAN = 'b', /* boolean */
    KIND_NUMBER = 'x',  /* number */
    KIND_WHOLE = 'n',   /* whole */
    KIND_MODE = 'm',    /* is_precise */
    KIND_LOADS = 'l',   /* loads */
    KIND_NAME = 'w',    /* name */
};

/* A stretch of a line; no zero byte at its end. Valid while the command is executed. */
struct words {
    const char *text;
    uint8_t length;
};

/* Among the loads: a number that no load has. */
enum { LOADS_UNKNOWN = 0x100 };

union value {
    uint8_t boolean;
    float number;  /* may be infinite */
    int32_t whole; /* INT32_MAX or -INT32_MAX for all beyond */
    uint8_t is_precise;
    uint16_t loads; /* bit n-1 for load n, and LOADS_UNKNOWN */
    struct words name;
};

/* Reads one parameter to *value. Returns 0 or the error of what it says (enum error). */
int16_t parameter_read(enum parameter_kind kind, struct words words, union value *value);

/* Returns the capital of a small letter; any other character as it is. */
char parameter_to_upper(char c);

#endif
