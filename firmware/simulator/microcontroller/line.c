/* The serial line: ten bits a byte at 1 Mbaud, two received bytes kept and a third in the shift register, one byte to send and one on its
 * way. */
#include "parts.h"

static uint32_t byte_cycles(void)
{
    return 16 * BITS_A_BYTE; /* 1 Mbaud: UBRR 0, U2X 0 */
}

static void sent(struct board *b, uint8_t byte, uint64_t at)
{
    struct line *l = &b->line;
    uint32_t next = (l->sent_in + 1) % SEND_ROOM;
    if (next != l->sent_out) {
        l->sent[l->sent_in] = byte;
        l->sent_at[l->sent_in] = at;
        l->sent_in = next;
    }
}

static void update_line(struct board *b)
{
    uint8_t *data = b->avr->data;
    uint8_t status = TXC | (b->line.overrun ? DOR : 0);
    if (!b->line.waiting) {
        status |= UDRE;
        if (data[R_UCSR0B] & UDRIE) {
            registers_request(b, VECTOR_USART_UDRE);
        }
    }
    if (b->line.received_count > 0) {
        status |= RXC;
        if (data[R_UCSR0B] & RXCIE) {
            registers_request(b, VECTOR_USART_RX);
        }
    }
    data[R_UCSR0A] = status;
}

static avr_cycle_count_t byte_through(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct board *b = param;
    struct line *l = &b->line;
    (void)avr;
    if (!l->waiting) {
        return 0;
    }
    l->waiting = false;
    l->shifter_free = when + byte_cycles();
    sent(b, l->waiting_byte, l->shifter_free);
    update_line(b);
    return l->shifter_free;
}

static void write_udr(struct avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct board *b = param;
    struct line *l = &b->line;
    (void)address;
    if (!(avr->data[R_UCSR0B] & TXEN)) {
        return;
    }
    avr_clear_interrupt(avr, b->vectors[VECTOR_USART_UDRE]);
    if (avr->cycle >= l->shifter_free) {
        l->shifter_free = avr->cycle + byte_cycles();
        sent(b, value, l->shifter_free);
        avr_cycle_timer_cancel(avr, byte_through, b);
        avr_cycle_timer_register(avr, byte_cycles(), byte_through, b);
    } else {
        l->waiting = true;
        l->waiting_byte = value;
    }
    update_line(b);
}

static uint8_t read_udr(struct avr_t *avr, avr_io_addr_t address, void *param)
{
    struct board *b = param;
    struct line *l = &b->line;
    uint8_t byte = l->received[0];
    (void)address;
    if (l->received_count > 0) {
        l->received[0] = l->received[1];
        l->received[1] = l->received[2];
        l->received_count--;
    }
    l->overrun = false;
    avr_clear_interrupt(avr, b->vectors[VECTOR_USART_RX]);
    update_line(b);
    return byte;
}

static uint8_t read_ucsra(struct avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)param;
    return avr->data[address];
}

static void write_ucsra(struct avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)avr;
    (void)address;
    (void)value;
    update_line(param);
}

static void write_ucsrb(struct avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    avr->data[address] = value;
    update_line(param);
}

/* A byte has come in whole. Where the buffer is full it stays in the shift register, until the next start bit destroys it. */
static avr_cycle_count_t byte_arrived(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct board *b = param;
    struct line *l = &b->line;
    uint8_t byte = l->queue[l->queue_out];
    l->queue_out = (l->queue_out + 1) % RECEIVE_ROOM;
    if (avr->data[R_UCSR0B] & RXEN) {
        l->received[l->received_count++] = byte;
    }
    l->arriving = l->queue_out != l->queue_in;
    if (l->arriving && l->received_count == 3) {
        l->received_count = 2;
        l->overrun = true;
        b->counts.bytes_lost++;
    }
    update_line(b);
    return l->arriving ? when + byte_cycles() : 0;
}

void board_send(struct board *b, const uint8_t *data, uint32_t length)
{
    struct line *l = &b->line;
    for (uint32_t k = 0; k < length; k++) {
        uint32_t next = (l->queue_in + 1) % RECEIVE_ROOM;
        if (next == l->queue_out) {
            b->counts.bytes_lost++;
            continue;
        }
        l->queue[l->queue_in] = data[k];
        l->queue_in = next;
    }
    if (!l->arriving && l->queue_in != l->queue_out) {
        l->arriving = true;
        if (l->received_count == 3) {
            l->received_count = 2;
            l->overrun = true;
            b->counts.bytes_lost++;
        }
        avr_cycle_timer_register(b->avr, byte_cycles(), byte_arrived, b);
    }
}

int board_is_receiving(struct board *b)
{
    return b->line.arriving || b->line.received_count > 0;
}

uint32_t board_take(struct board *b, uint8_t *data, uint64_t *cycles, uint32_t room)
{
    struct line *l = &b->line;
    uint32_t count = 0;
    while (count < room && l->sent_out != l->sent_in && l->sent_at[l->sent_out] <= b->avr->cycle) {
        data[count] = l->sent[l->sent_out];
        cycles[count++] = l->sent_at[l->sent_out];
        l->sent_out = (l->sent_out + 1) % SEND_ROOM;
    }
    return count;
}

void line_begin(struct board *b)
{
    registers_replace(b, R_UDR0, read_udr, write_udr);
    registers_replace(b, R_UCSR0A, read_ucsra, write_ucsra);
    registers_replace(b, R_UCSR0B, NULL, write_ucsrb);
}

void line_reset(struct board *b)
{
    b->line.waiting = false;
    b->line.shifter_free = 0;
    b->line.received_count = 0;
    b->line.overrun = false;
    b->avr->data[R_UCSR0A] = UDRE;
    if (b->line.arriving) {
        avr_cycle_timer_register(b->avr, byte_cycles(), byte_arrived, b);
    }
}
