/* The rig's comparator, which drives the capture input ICP1 and the counter T0. */
#include <simavr/avr_timer.h>

#include "parts.h"

static uint8_t read_tcnt0(struct avr_t *avr, avr_io_addr_t address, void *param)
{
    const struct board *b = param;
    (void)address;
    return (avr->data[R_TCCR0B] & 7) == 7 ? b->rises : 0;
}

/* The library captures the count of now, at the end of an instruction; the edge came `late` cycles before. */
static void set_comparator(struct board *b, bool level, uint16_t late)
{
    uint8_t *data = b->avr->data;
    if (level && !b->comparator) {
        b->rises++;
    }
    b->comparator = level;
    uint16_t before = (uint16_t)(data[R_ICR1L] | data[R_ICR1H] << 8);
    avr_raise_irq(avr_io_getirq(b->avr, AVR_IOCTL_TIMER_GETIRQ('1'), TIMER_IRQ_IN_ICP), level);
    uint16_t captured = (uint16_t)(data[R_ICR1L] | data[R_ICR1H] << 8);
    if (captured != before) {
        captured = (uint16_t)(captured - late);
        data[R_ICR1L] = (uint8_t)captured;
        data[R_ICR1H] = (uint8_t)(captured >> 8);
    }
}

static avr_cycle_count_t edge_comes(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct board *b = param;
    set_comparator(b, b->edge_level, (uint16_t)(avr->cycle - when));
    b->edge_level = !b->edge_level;
    b->edges_next++;
    if (b->edges_next == b->edges_count) {
        return 0;
    }
    uint64_t next = b->edges[b->edges_next];
    return next > avr->cycle ? next : avr->cycle + 1;
}

void board_set_edges(struct board *b, const uint64_t *cycles, uint32_t count, uint8_t level)
{
    avr_cycle_timer_cancel(b->avr, edge_comes, b);
    b->edges = cycles;
    b->edges_count = count;
    b->edges_next = 0;
    b->edge_level = level != 0;
    if (count > 0) {
        avr_cycle_timer_register(b->avr, cycles[0] > b->avr->cycle ? cycles[0] - b->avr->cycle : 1, edge_comes, b);
    }
}

void edges_begin(struct board *b)
{
    registers_replace(b, R_TCNT0, read_tcnt0, NULL);
}

void edges_reset(struct board *b)
{
    if (b->edges_next < b->edges_count) {
        board_set_edges(b, b->edges + b->edges_next, b->edges_count - b->edges_next, b->edge_level);
    }
}
