/* The core, its interrupts and its sleep, where the library differs from the data sheet: response, wake-up and return from interrupts take
 * their time and no more, a masked interrupt waits for its mask, a flag is cleared by writing it and no other, sleep passes in no time. */
#include "parts.h"

#include <simavr/sim_core.h>

enum { JUST_ENABLED = -2, ONE_MORE = -1 }; /* states in which the library waits before it looks for interrupts */

/* One go of the library's core, until something is due or an interrupt may come. In the place of its own loop, which sleeps a cycle too
 * long and looks for interrupts an instruction late. */
static void run_on(avr_t *avr)
{
    struct board *b = avr->custom.data;
    avr_flashaddr_t next = avr->pc;
    if (avr->state == cpu_Running) {
        next = avr_run_one(avr);
    }
    avr_cycle_count_t free_cycles = avr_cycle_timer_process(avr);
    avr->pc = next;
    if (avr->state == cpu_Sleeping) {
        b->woken = true;
        b->counts.asleep += free_cycles;
        avr->cycle += free_cycles;
        return;
    }
    if (avr->interrupt_state == JUST_ENABLED) {
        avr->interrupt_state = ONE_MORE; /* one instruction more after `sei` and `reti`, data sheet "Reset and Interrupt Handling" */
        return;
    }
    if (avr->interrupt_state == ONE_MORE) {
        avr->interrupt_state = avr_has_pending_interrupts(avr) != 0;
    }
    avr_service_interrupts(avr);
    b->woken = false;
}

static void on_entry_and_return(struct avr_irq_t *irq, uint32_t entered, void *param)
{
    struct board *b = param;
    (void)irq;
    if (entered) {
        if (b->depth++ == 0) {
            b->interrupt_began = b->avr->cycle;
        }
        b->avr->cycle += RESPONSE_CYCLES + (b->woken ? WAKE_CYCLES : 0) + b->burden;
        b->counts.interrupts++;
    } else if (b->depth > 0 && --b->depth == 0) {
        uint64_t took = b->avr->cycle + RETURN_CYCLES - b->interrupt_began; /* counted by the library after this call */
        b->counts.in_interrupts += took;
        if (took > b->counts.longest_interrupt) {
            b->counts.longest_interrupt = took;
        }
    }
}

static void on_receiver_waiting(struct avr_irq_t *irq, uint32_t raised, void *param)
{
    struct board *b = param;
    (void)irq;
    if (raised) {
        b->receiver_waits_since = b->avr->cycle;
    } else if (b->avr->cycle - b->receiver_waits_since > b->counts.longest_receiver_wait) {
        b->counts.longest_receiver_wait = b->avr->cycle - b->receiver_waits_since;
    }
}

/* A flag that is set interrupts as soon as its mask lets it. */
static void write_mask(struct avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct board *b = param;
    avr->data[address] = value;
    for (size_t k = 0; k < VECTORS; k++) {
        avr_int_vector_t *v = b->vectors[k];
        if (v != NULL && v->enable.reg == address && (value >> v->enable.bit & 1) && avr_regbit_get(avr, v->raised)) {
            avr_raise_interrupt(avr, v);
        }
    }
}

/* A one clears its flag. */
static void write_flags(struct avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct board *b = param;
    for (size_t k = 0; k < VECTORS; k++) {
        avr_int_vector_t *v = b->vectors[k];
        if (v != NULL && v->raised.reg == address && (value >> v->raised.bit & 1) && avr_regbit_get(avr, v->raised)) {
            avr_clear_interrupt(avr, v);
        }
    }
}

void core_begin(struct board *b)
{
    avr_t *avr = b->avr;
    avr->run = run_on;
    for (uint8_t k = 0; k < avr->interrupts.vector_count; k++) {
        avr_int_vector_t *v = avr->interrupts.vector[k];
        if (v->vector < VECTORS) {
            b->vectors[v->vector] = v;
            avr_irq_register_notify(v->irq + AVR_INT_IRQ_RUNNING, on_entry_and_return, b);
        }
    }
    avr_irq_register_notify(b->vectors[VECTOR_USART_RX]->irq + AVR_INT_IRQ_PENDING, on_receiver_waiting, b);
    for (uint16_t timer = 0; timer < 3; timer++) {
        registers_replace(b, R_TIMSK0 + timer, NULL, write_mask);
        registers_replace(b, R_TIFR0 + timer, NULL, write_flags);
    }
}

void core_reset(struct board *b)
{
    b->depth = 0;
    b->woken = false;
}
