/* The whole microcontroller: created, run, reset, made to hang, counted. */
#include <stdlib.h>
#include <string.h>

#include "parts.h"

void board_lengthen_interrupts(struct board *b, uint32_t cycles)
{
    b->burden = cycles;
}

/* Ends all that goes on by itself; the library has cleared registers and its timers. */
static void on_reset(avr_io_t *io)
{
    struct board *b = io->avr->custom.data;
    core_reset(b);
    converter_reset(b);
    line_reset(b);
    memory_reset(b);
    edges_reset(b);
    if (b->stuck) {
        memcpy(b->avr->flash + b->stuck_at, &b->stuck_before, 2);
        b->stuck = false;
    }
    b->counts.resets++;
    b->avr->run_cycle_limit = LONGEST_RUN;
    outputs_reset(b);
}

static void silent(struct avr_t *avr, const int level, const char *format, va_list ap)
{
    (void)avr;
    (void)level;
    (void)format;
    (void)ap;
}

void board_reset(struct board *b, uint8_t cause)
{
    if (cause & 1) {
        memset(b->avr->data + 0x100, PAINT, b->avr->ramend + 1u - 0x100u);
        b->eeprom_busy = false; /* the byte under way stays erased */
    }
    avr_reset(b->avr);
    b->avr->data[R_MCUSR] = cause;
}

void board_hang(struct board *b)
{
    uint16_t opcode = STUCK_OPCODE;
    if (!b->stuck) {
        b->stuck = true;
        b->stuck_at = b->avr->pc;
        memcpy(&b->stuck_before, b->avr->flash + b->avr->pc, 2);
        memcpy(b->avr->flash + b->avr->pc, &opcode, 2);
    }
}

static avr_cycle_count_t end_of_run(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    (void)when;
    (void)param;
    return 0;
}

int board_run(struct board *b, uint64_t until)
{
    avr_t *avr = b->avr;
    if (until <= avr->cycle) {
        return false;
    }
    avr_cycle_timer_register(avr, until - avr->cycle, end_of_run, b);
    b->stop = false;
    while (avr->cycle < until && !b->stop) {
        avr->run(avr);
        if (avr->state != cpu_Running && avr->state != cpu_Sleeping) {
            break;
        }
    }
    return b->stop;
}

struct board *board_create(const uint8_t *program, uint32_t length)
{
    struct board *b = calloc(1, sizeof *b);
    avr_global_logger_set(silent);
    avr_t *avr = avr_make_mcu_by_name("atmega328p");
    if (avr == NULL || b == NULL) {
        free(b);
        return NULL;
    }
    avr_init(avr);
    avr->frequency = 16000000;
    avr->custom.data = b;
    b->avr = avr;
    memcpy(avr->flash, program, length);
    core_begin(b);
    converter_begin(b);
    line_begin(b);
    memory_begin(b);
    edges_begin(b);
    outputs_begin(b);
    b->io = (avr_io_t){.kind = "board", .reset = on_reset};
    avr_register_io(avr, &b->io);
    board_reset(b, 1);
    b->counts.resets = 0;
    return b;
}

void board_destroy(struct board *b)
{
    avr_terminate(b->avr);
    free(b);
}

struct board_counts board_get_counts(struct board *b)
{
    uint32_t longest = 0, run = 0;
    for (uint32_t at = 0x100; at <= b->avr->ramend; at++) {
        run = b->avr->data[at] == PAINT ? run + 1 : 0;
        longest = run > longest ? run : longest;
    }
    b->counts.cycle = b->avr->cycle;
    b->counts.stack_free = longest;
    b->counts.state = (uint32_t)b->avr->state;
    return b->counts;
}

uint8_t *board_get_data(struct board *b)
{
    return b->avr->data;
}
