/* What the parts of the simulated microcontroller know of each other. The library's own converter, serial line, SPI, EEPROM and counter T0
 * are replaced by models after the data sheet, one file each: its converter reads the multiplexer when the result is fetched and runs slow,
 * its serial line has eleven bits a byte and no overrun, its SPI takes 100 us a byte, its EEPROM no time at all.
 *
 * Each part has a NAME_begin, which puts its handlers in, and a NAME_reset, called when the microcontroller is reset: the library has
 * cleared the registers and its timers by then.
 */
#ifndef MICROCONTROLLER_PARTS_H
#define MICROCONTROLLER_PARTS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <simavr/sim_avr.h>
#include <simavr/sim_io.h>

#include "avr_board.h"

enum {
    R_PINB = 0x23, R_DDRB = 0x24, R_PORTB = 0x25, R_PIND = 0x29, R_DDRD = 0x2A, R_PORTD = 0x2B, R_TIFR0 = 0x35, R_TIFR1 = 0x36,
    R_EECR = 0x3F, R_EEDR = 0x40, R_EEARL = 0x41, R_EEARH = 0x42, R_TCCR0B = 0x45, R_TCNT0 = 0x46, R_SPCR = 0x4C, R_SPSR = 0x4D,
    R_SPDR = 0x4E, R_MCUSR = 0x54, R_TIMSK0 = 0x6E, R_ADCL = 0x78, R_ADCH = 0x79, R_ADCSRA = 0x7A, R_ADMUX = 0x7C, R_ICR1L = 0x86,
    R_ICR1H = 0x87, R_UCSR0A = 0xC0, R_UCSR0B = 0xC1, R_UDR0 = 0xC6,
};
enum { ADEN = 0x80, ADSC = 0x40, ADATE = 0x20, ADIF = 0x10, ADIE = 0x08 };
enum { RXC = 0x80, TXC = 0x40, UDRE = 0x20, DOR = 0x08 };
enum { RXCIE = 0x80, UDRIE = 0x20, RXEN = 0x10, TXEN = 0x08 };
enum { SPIF = 0x80, EEMPE = 0x04, EEPE = 0x02, EERE = 0x01 };
enum { PB_COMPARATOR = 0x01, PB_RCLK = 0x04 };
enum { PD_TRIP = 0x04, PD_EDGES = 0x10, PD_ARM = 0x08, PD_MASTER = 0x20, PD_CLEAR = 0x40, PD_RANGE = 0x80 };
enum { VECTOR_USART_RX = 18, VECTOR_USART_UDRE = 19, VECTOR_ADC = 21 };

#define INPUTS 8
#define BITS_A_BYTE 10
#define EEPROM_SIZE 1024
#define EEPROM_WRITE_CYCLES 54400 /* 3.4 ms */
#define VECTORS 32
#define RESPONSE_CYCLES 4         /* of the core to an interrupt, and as many to wake up before; the library counts neither */
#define WAKE_CYCLES 4
#define RETURN_CYCLES 4
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
    avr_int_vector_t *vectors[VECTORS];
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
    uint32_t depth; /* of nested interrupts */
    bool woken;
    uint64_t receiver_waits_since;
    uint32_t burden;
    bool stuck;
    uint32_t stuck_at;
    uint16_t stuck_before;
};

/* registers.c: puts a part's handlers for a register in the place of the library's, NULL for plain memory; asks for an interrupt */
void registers_replace(struct board *b, uint16_t address, avr_io_read_t read, avr_io_write_t write);
void registers_request(struct board *b, uint8_t vector);

/* core.c: how the program is run */
void core_begin(struct board *b);
void core_reset(struct board *b);

/* outputs.c: the shift register, enable, latch and what comes of them */
void outputs_begin(struct board *b);
void outputs_reset(struct board *b);
void outputs_update(struct board *b);

/* converter.c */
void converter_begin(struct board *b);
void converter_reset(struct board *b);

/* line.c: the serial line */
void line_begin(struct board *b);
void line_reset(struct board *b);

/* memory.c: the EEPROM */
void memory_begin(struct board *b);
void memory_reset(struct board *b);

/* edges.c: the comparator at ICP1 and T0 */
void edges_begin(struct board *b);
void edges_reset(struct board *b);

#endif
