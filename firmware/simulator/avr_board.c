#include "avr_board.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_ioport.h>
#include <simavr/avr_timer.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_io.h>

/* The converter, the serial line, SPI, EEPROM and the counter T0 are modelled here after the data sheet instead of by the library: its
 * converter reads the multiplexer when the result is fetched and runs slow, its serial line has eleven bits a byte and no overrun, its SPI
 * takes 100 us a byte, its EEPROM no time at all. */

enum {
    R_PINB = 0x23, R_DDRB = 0x24, R_PORTB = 0x25, R_PIND = 0x29, R_DDRD = 0x2A, R_PORTD = 0x2B, R_EECR = 0x3F, R_EEDR = 0x40, R_EEARL = 0x41,
    R_EEARH = 0x42, R_TCCR0B = 0x45, R_TCNT0 = 0x46, R_SPCR = 0x4C, R_SPSR = 0x4D, R_SPDR = 0x4E, R_MCUSR = 0x54, R_ADCL = 0x78,
    R_ADCH = 0x79, R_ADCSRA = 0x7A, R_ADMUX = 0x7C, R_UCSR0A = 0xC0, R_UCSR0B = 0xC1, R_UDR0 = 0xC6,
};
enum { ADEN = 0x80, ADSC = 0x40, ADATE = 0x20, ADIF = 0x10, ADIE = 0x08 };
enum { RXC = 0x80, TXC = 0x40, UDRE = 0x20, DOR = 0x08 };
enum { RXCIE = 0x80, UDRIE = 0x20, RXEN = 0x10, TXEN = 0x08 };
enum { SPIF = 0x80, EEMPE = 0x04, EEPE = 0x02, EERE = 0x01 };
enum { PB_COMPARATOR = 0x01, PB_RCLK = 0x04, PD_TRIP = 0x04, PD_EDGES = 0x10, PD_ARM = 0x08, PD_MASTER = 0x20, PD_CLEAR = 0x40, PD_RANGE = 0x80 };
enum { VECTOR_USART_RX = 18, VECTOR_USART_UDRE = 19, VECTOR_ADC = 21 };

#define INPUTS 8
#define BITS_A_BYTE 10
#define EEPROM_SIZE 1024
#define EEPROM_WRITE_CYCLES 54400 /* 3.4 ms */
#define RESPONSE_CYCLES 4         /* of the core to an interrupt, which the library does not charge */
#define LONGEST_RUN 20000         /* cycles at one go, if nothing is due before */
#define PAINT 0xC5
#define STUCK_OPCODE 0xCFFF       /* rjmp to itself */
#define RECEIVE_ROOM 4096
#define SEND_ROOM 65536

struct converter {
    bool running;
    bool first;
    uint8_t input;
    uint16_t result;
    uint64_t began;
    uint64_t hold;
};

struct line {
    uint64_t shifter_free; /* when the byte being sent is through */
    bool waiting;          /* one more waits in the data register */
    uint8_t waiting_byte;
    uint8_t received[3];   /* two in the buffer, one in the shift register */
    uint8_t received_count;
    bool overrun;
    uint8_t queue[RECEIVE_ROOM];
    uint32_t queue_in, queue_out;
    bool arriving;
    uint8_t sent[SEND_ROOM];
    uint64_t sent_at[SEND_ROOM];
    uint32_t sent_in, sent_out;
};

struct board {
    avr_t *avr;
    avr_io_t io; /* of this file, for its reset */
    avr_int_vector_t *vectors[32];
    struct converter converter;
    struct line line;
    uint8_t eeprom[EEPROM_SIZE];
    uint16_t eeprom_at;
    uint8_t eeprom_value;
    bool eeprom_busy;
    uint8_t shift_register, latched_loads;
    bool spi_done;
    uint8_t rises;
    bool latch, trip_asked;
    bool comparator;
    uint8_t ports_before;
    struct board_outputs outputs;
    bool stop;
    const float *codes;
    int64_t codes_first;
    uint32_t codes_step, codes_count;
    const uint64_t *edges;
    uint32_t edges_count, edges_next;
    bool edge_level;
    struct board_counts counts;
    uint64_t interrupt_began;
    uint32_t burden;
    bool stuck;
    uint32_t stuck_at;
    uint16_t stuck_before;
};

/* --- interrupts --- */

static void request(struct board *b, uint8_t vector)
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

/* --- switches --- */

static void update_outputs(struct board *b)
{
    const uint8_t *data = b->avr->data;
    uint8_t port_d = data[R_PORTD] & data[R_DDRD];
    uint8_t port_b = data[R_PORTB] & data[R_DDRB];
    if (port_b & ~b->ports_before & PB_RCLK) {
        b->latched_loads = b->shift_register;
    }
    b->ports_before = port_b;
    /* /CLR has a pull-up in the rig: only a pin driven low clears, and only while nothing asks for the trip. */
    if (b->trip_asked) {
        b->latch = true;
    } else if ((data[R_DDRD] & PD_CLEAR) && !(data[R_PORTD] & PD_CLEAR)) {
        b->latch = false;
    }
    bool enabled = (port_d & PD_ARM) && !b->latch;
    struct board_outputs now = {
        .master = enabled && (port_d & PD_MASTER),
        .loads = enabled ? b->latched_loads : 0,
        .range = (data[R_DDRD] & PD_RANGE) && !(data[R_PORTD] & PD_RANGE),
        .latched = b->latch,
    };
    if (memcmp(&now, &b->outputs, sizeof now) != 0) {
        b->outputs = now;
        b->stop = true;
        b->avr->run_cycle_count = 0; /* after this instruction */
    }
}

static void on_port(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)value;
    update_outputs(param);
}

/* --- converter --- */

static uint32_t converter_period(struct board *b)
{
    uint8_t select = b->avr->data[R_ADCSRA] & 7;
    return select < 2 ? 2u : 1u << select;
}

static float code_at(const struct board *b, uint64_t cycle, uint8_t input)
{
    if (b->codes_count == 0 || input >= INPUTS) {
        return 0.0f;
    }
    int64_t since = (int64_t)cycle - b->codes_first;
    if (since < 0) {
        since = 0;
    }
    uint64_t row = (uint64_t)since / b->codes_step;
    uint32_t rest = (uint32_t)((uint64_t)since % b->codes_step);
    if (row >= b->codes_count - 1) {
        return b->codes[(b->codes_count - 1) * INPUTS + input];
    }
    float low = b->codes[row * INPUTS + input];
    if (rest == 0) {
        return low;
    }
    return low + (b->codes[(row + 1) * INPUTS + input] - low) * (float)rest / (float)b->codes_step;
}

static avr_cycle_count_t converter_done(struct avr_t *avr, avr_cycle_count_t when, void *param);

static avr_cycle_count_t converter_hold(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct board *b = param;
    (void)avr;
    (void)when;
    float code = rintf(code_at(b, b->converter.hold, b->converter.input));
    b->converter.result = code < 0.0f ? 0 : code > 1023.0f ? 1023 : (uint16_t)code;
    return 0;
}

/* A conversion begins at this cycle, with the input selected now. */
static void converter_begin(struct board *b, uint64_t at)
{
    struct converter *c = &b->converter;
    uint32_t period = converter_period(b);
    c->input = b->avr->data[R_ADMUX] & 0x0F;
    c->began = at;
    c->hold = at + (c->first ? period * 27 / 2 : period * 3 / 2);
    uint64_t end = at + (c->first ? 25 : 13) * (uint64_t)period;
    c->first = false;
    c->running = true;
    avr_cycle_timer_register(b->avr, c->hold - b->avr->cycle, converter_hold, b);
    avr_cycle_timer_register(b->avr, end - b->avr->cycle, converter_done, b);
}

/* The data sheet: not in the first period of the converter's clock after a conversion has begun. */
static void write_admux(struct avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct board *b = param;
    if (b->converter.running && avr->cycle < b->converter.began + converter_period(b)) {
        b->counts.inputs_chosen_early++;
    }
    avr->data[address] = value;
}

static avr_cycle_count_t converter_done(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct board *b = param;
    struct converter *c = &b->converter;
    b->counts.conversions_missed += (avr->data[R_ADCSRA] & ADIF) != 0;
    avr->data[R_ADCL] = (uint8_t)c->result;
    avr->data[R_ADCH] = (uint8_t)(c->result >> 8);
    avr->data[R_ADCSRA] |= ADIF;
    b->counts.conversions++;
    c->running = false;
    if (avr->data[R_ADCSRA] & ADATE) {
        converter_begin(b, when);
    } else {
        avr->data[R_ADCSRA] &= (uint8_t)~ADSC;
    }
    request(b, VECTOR_ADC);
    return 0;
}

static void converter_stop(struct board *b)
{
    avr_cycle_timer_cancel(b->avr, converter_hold, b);
    avr_cycle_timer_cancel(b->avr, converter_done, b);
    b->converter.running = false;
}

static void write_adcsra(struct avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct board *b = param;
    uint8_t before = avr->data[address];
    uint8_t flag = value & ADIF ? 0 : before & ADIF;
    if ((before & ADIF) && !flag) {
        avr_clear_interrupt(avr, b->vectors[VECTOR_ADC]);
    }
    avr->data[address] = (uint8_t)((value & ~ADIF) | flag);
    if (!(value & ADEN)) {
        converter_stop(b);
        avr->data[address] &= (uint8_t)~ADSC;
        return;
    }
    if (!(before & ADEN)) {
        b->converter.first = true; /* and the prescaler starts now */
    }
    if ((value & ADSC) && !b->converter.running) {
        converter_begin(b, avr->cycle);
    }
}

/* --- serial line --- */

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
            request(b, VECTOR_USART_UDRE);
        }
    }
    if (b->line.received_count > 0) {
        status |= RXC;
        if (data[R_UCSR0B] & RXCIE) {
            request(b, VECTOR_USART_RX);
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

/* --- SPI, EEPROM, T0, comparator --- */

static avr_cycle_count_t spi_through(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct board *b = param;
    (void)when;
    b->shift_register = avr->data[R_SPDR];
    b->spi_done = true;
    return 0;
}

static void write_spdr(struct avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct board *b = param;
    static const uint8_t DIVISORS[4] = {4, 16, 64, 128};
    uint32_t divisor = DIVISORS[avr->data[R_SPCR] & 3] >> (avr->data[R_SPSR] & 1);
    avr->data[address] = value;
    b->spi_done = false;
    avr_cycle_timer_register(avr, 8 * divisor, spi_through, b);
}

static uint8_t read_spsr(struct avr_t *avr, avr_io_addr_t address, void *param)
{
    const struct board *b = param;
    return (uint8_t)((avr->data[address] & 1) | (b->spi_done ? SPIF : 0));
}

static avr_cycle_count_t eeprom_written(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct board *b = param;
    (void)when;
    b->eeprom[b->eeprom_at] = b->eeprom_value;
    b->eeprom_busy = false;
    avr->data[R_EECR] &= (uint8_t)~EEPE;
    return 0;
}

static avr_cycle_count_t eeprom_locked(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    avr->data[R_EECR] &= (uint8_t)~EEMPE;
    return 0;
}

static void write_eecr(struct avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct board *b = param;
    uint8_t before = avr->data[address];
    uint16_t at = (uint16_t)(avr->data[R_EEARL] | avr->data[R_EEARH] << 8) % EEPROM_SIZE;
    if (before & EEPE) {
        return; /* busy */
    }
    avr->data[address] = value & (uint8_t)~(EERE | EEPE);
    if ((value & EEMPE) && !(before & EEMPE)) {
        avr_cycle_timer_register(avr, 6, eeprom_locked, b);
    }
    if (value & EERE) {
        avr->data[R_EEDR] = b->eeprom[at];
    }
    if ((value & EEPE) && (before & EEMPE)) {
        b->eeprom_at = at;
        b->eeprom_value = avr->data[R_EEDR];
        b->eeprom_busy = true;
        b->eeprom[at] = 0xFF; /* erased first: this is what a power cut leaves */
        avr->data[address] |= EEPE;
        avr_cycle_timer_register(avr, EEPROM_WRITE_CYCLES, eeprom_written, b);
    }
}

static uint8_t read_tcnt0(struct avr_t *avr, avr_io_addr_t address, void *param)
{
    const struct board *b = param;
    (void)address;
    return (avr->data[R_TCCR0B] & 7) == 7 ? b->rises : 0;
}

/* Pins as they stand: outputs as they are driven, inputs as the rig drives them, or pulled up. */
static uint8_t pins(const struct avr_t *avr, uint8_t port, uint8_t direction, uint8_t outside, uint8_t driven)
{
    uint8_t inputs = (uint8_t)((outside & driven) | (uint8_t)~driven);
    return (uint8_t)((avr->data[port] & avr->data[direction]) | (inputs & (uint8_t)~avr->data[direction]));
}

static uint8_t read_pinb(struct avr_t *avr, avr_io_addr_t address, void *param)
{
    const struct board *b = param;
    (void)address;
    return pins(avr, R_PORTB, R_DDRB, b->comparator ? PB_COMPARATOR : 0, PB_COMPARATOR);
}

static uint8_t read_pind(struct avr_t *avr, avr_io_addr_t address, void *param)
{
    const struct board *b = param;
    uint8_t outside = (uint8_t)((b->latch ? PD_TRIP : 0) | (b->comparator ? PD_EDGES : 0));
    (void)address;
    return pins(avr, R_PORTD, R_DDRD, outside, PD_TRIP | PD_EDGES);
}

static void set_comparator(struct board *b, bool level)
{
    if (level && !b->comparator) {
        b->rises++;
    }
    b->comparator = level;
    avr_raise_irq(avr_io_getirq(b->avr, AVR_IOCTL_TIMER_GETIRQ('1'), TIMER_IRQ_IN_ICP), level);
}

static avr_cycle_count_t edge_comes(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct board *b = param;
    (void)when;
    set_comparator(b, b->edge_level);
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

void board_set_inputs(struct board *b, int64_t first, uint32_t step, uint32_t count, const float *codes)
{
    b->codes_first = first;
    b->codes_step = step;
    b->codes_count = count;
    b->codes = codes;
}

void board_set_trip(struct board *b, uint8_t asked)
{
    b->trip_asked = asked != 0;
    update_outputs(b);
}

uint64_t board_next_hold(struct board *b, uint32_t *period)
{
    if (!b->converter.running) {
        *period = 0;
        return 0;
    }
    *period = 13 * converter_period(b);
    uint64_t hold = b->converter.hold;
    return hold >= b->avr->cycle ? hold : hold + *period;
}

/* --- reset and run --- */

/* Ends all that goes on by itself; the library has cleared registers and its timers. */
static void on_reset(avr_io_t *io)
{
    struct board *b = io->avr->custom.data;
    b->converter = (struct converter){0};
    b->line.waiting = false;
    b->line.shifter_free = 0;
    b->line.received_count = 0;
    b->line.overrun = false;
    b->spi_done = false;
    if (b->line.arriving) {
        avr_cycle_timer_register(b->avr, byte_cycles(), byte_arrived, b);
    }
    if (b->edges_next < b->edges_count) {
        board_set_edges(b, b->edges + b->edges_next, b->edges_count - b->edges_next, b->edge_level);
    }
    if (b->stuck) {
        memcpy(b->avr->flash + b->stuck_at, &b->stuck_before, 2);
        b->stuck = false;
    }
    if (b->eeprom_busy) {
        eeprom_written(b->avr, b->avr->cycle, b); /* what was begun is finished by the hardware */
    }
    b->counts.resets++;
    b->avr->data[R_UCSR0A] = UDRE;
    b->avr->run_cycle_limit = LONGEST_RUN;
    update_outputs(b);
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

static void replace(struct board *b, uint16_t address, avr_io_read_t read, avr_io_write_t write)
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
    memset(b->eeprom, 0xFF, sizeof b->eeprom);
    memcpy(avr->flash, program, length);
    for (uint8_t k = 0; k < avr->interrupts.vector_count; k++) {
        avr_int_vector_t *vector = avr->interrupts.vector[k];
        if (vector->vector < 32) {
            b->vectors[vector->vector] = vector;
        }
    }
    replace(b, R_ADCSRA, NULL, write_adcsra);
    replace(b, R_ADMUX, NULL, write_admux);
    replace(b, R_ADCL, NULL, NULL);
    replace(b, R_ADCH, NULL, NULL);
    replace(b, R_UDR0, read_udr, write_udr);
    replace(b, R_UCSR0A, read_ucsra, write_ucsra);
    replace(b, R_UCSR0B, NULL, write_ucsrb);
    replace(b, R_SPDR, NULL, write_spdr);
    replace(b, R_SPSR, read_spsr, NULL);
    replace(b, R_EECR, NULL, write_eecr);
    replace(b, R_TCNT0, read_tcnt0, NULL);
    replace(b, R_PINB, read_pinb, NULL);
    replace(b, R_PIND, read_pind, NULL);
    avr_irq_register_notify(avr->interrupts.irq + AVR_INT_IRQ_RUNNING, on_interrupt, b);
    for (const char *port = "BD"; *port; port++) {
        avr_irq_t *irq = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(*port), 0);
        avr_irq_register_notify(irq + IOPORT_IRQ_REG_PORT, on_port, b);
        avr_irq_register_notify(irq + IOPORT_IRQ_DIRECTION_ALL, on_port, b);
    }
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

struct board_outputs board_get_outputs(struct board *b)
{
    return b->outputs;
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

void board_burden(struct board *b, uint32_t cycles)
{
    b->burden = cycles;
}

uint8_t *board_memory(struct board *b)
{
    return b->eeprom;
}

uint8_t *board_data(struct board *b)
{
    return b->avr->data;
}
