/* The whole microcontroller: created, run, reset, made to hang, counted. */
#include <stdlib.h>
#include <string.h>

#include "parts.h"

void board_request(struct board *b, uint8_t vector)
{
    if (b->vectors[vector] != NULL) {
        avr_raise_interrupt(b->avr, b->vectors[vector]);
    }
}

static void on_interrupt(struct avr_irq_t *irq, uint32_t vector, void *param)
{
    struct board *b = param;
    (void)irq;
    if (vector != 0) {
        b->interrupt_began = b->avr->cycle;
        b->avr->cycle += RESPONSE_CYCLES + b->burden;
        b->counts.interrupts++;
    } else {
        /* The return itself is counted after this call. */
        uint64_t took = b->avr->cycle + 4 - b->interrupt_began;
        b->counts.in_interrupts += took;
        if (took > b->counts.longest_interrupt) {
            b->counts.longest_interrupt = took;
        }
    }
}

void board_burden(struct board *b, uint32_t cycles)
{
    b->burden = cycles;
}

/* Ends all that goes on by itself; the library has cleared registers and its timers. */
static void on_reset(avr_io_t *io)
{
    struct board *b = io->avr->custom.data;
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

static void no_sleep(avr_t *avr, avr_cycle_count_t how_long)
{
    struct board *b = avr->custom.data;
    b->counts.asleep += how_long + 1;
}

static void silent(struct avr_t *avr, const int level, const char *format, va_list ap)
{
    (void)avr;
    (void)level;
    (void)format;
    (void)ap;
}

void board_replace(struct board *b, uint16_t address, avr_io_read_t read, avr_io_write_t write)
{
    int at = AVR_DATA_TO_IO(address);
    b->avr->io[at].r.c = read;
    b->avr->io[at].r.param = b;
    b->avr->io[at].w.c = write;
    b->avr->io[at].w.param = b;
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
    avr->sleep = no_sleep;
    b->avr = avr;
    memcpy(avr->flash, program, length);
    for (uint8_t k = 0; k < avr->interrupts.vector_count; k++) {
        avr_int_vector_t *vector = avr->interrupts.vector[k];
        if (vector->vector < 32) {
            b->vectors[vector->vector] = vector;
        }
    }
    converter_begin(b);
    line_begin(b);
    memory_begin(b);
    edges_begin(b);
    outputs_begin(b);
    avr_irq_register_notify(avr->interrupts.irq + AVR_INT_IRQ_RUNNING, on_interrupt, b);
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

uint8_t *board_data(struct board *b)
{
    return b->avr->data;
}
