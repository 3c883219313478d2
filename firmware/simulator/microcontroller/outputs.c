/* The rig's switches as they really are: the shift register behind SPI, enable, latch, master, voltage range; and the pins the program
 * reads. */
#include <string.h>

#include "parts.h"

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

void outputs_update(struct board *b)
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

/* PORTx and DDRx. */
static void write_port(struct avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    avr->data[address] = value;
    outputs_update(param);
}

/* Ones written to PINx toggle PORTx, two addresses further. */
static void write_pin(struct avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    avr->data[address + 2] ^= value;
    outputs_update(param);
}

void board_set_trip(struct board *b, uint8_t asked)
{
    b->trip_asked = asked != 0;
    outputs_update(b);
}

struct board_outputs board_get_outputs(struct board *b)
{
    return b->outputs;
}

/* The pins' levels: outputs as they are driven, inputs as the rig drives them, or pulled up. */
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

void outputs_begin(struct board *b)
{
    registers_replace(b, R_SPDR, NULL, write_spdr);
    registers_replace(b, R_SPSR, read_spsr, NULL);
    registers_replace(b, R_PINB, read_pinb, write_pin);
    registers_replace(b, R_DDRB, NULL, write_port);
    registers_replace(b, R_PORTB, NULL, write_port);
    registers_replace(b, R_PIND, read_pind, write_pin);
    registers_replace(b, R_DDRD, NULL, write_port);
    registers_replace(b, R_PORTD, NULL, write_port);
}

void outputs_reset(struct board *b)
{
    b->spi_done = false;
    outputs_update(b);
}
