/* The serial line: 1 Mbaud, 8 data bits, no parity, one stop bit.
 *
 * While a line comes in, a byte comes every 160 clocks. An interrupt for each byte received and one for each byte sent would leave the
 * converter, whose interrupt comes last, none of its 416 clocks for as long as the line lasts. So the receiver's interrupt is as short as
 * it can be made, by hand, and bytes are sent from the converter's, which comes anyway: two each time, 77 kB/s in the fast mode, where 61
 * are needed, and 19 in the precise one, where 15 are.
 */
#include <avr/interrupt.h>

#include "hal.h"
#include "parts.h"

#define RING SERIAL_RING

/* Not static for the assembler's sake. */
volatile uint8_t serial_ring[RING];
volatile uint8_t serial_in, serial_out;
volatile uint8_t serial_lost;

const uint8_t *serial_sending;
volatile uint8_t serial_left;

void serial_begin(void)
{
    UBRR0 = 0;
    UCSR0A = 0;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

/* 57 clocks with entry and return. A byte that came damaged, or behind one that was lost, becomes a 0, which no command has: its line will
 * be refused. So does the last byte in a full ring. */
ISR(USART_RX_vect, ISR_NAKED)
{
    __asm__ volatile("push r24\n\t"
                     "push r25\n\t"
                     "lds r25, %[status]\n\t"
                     "lds r24, %[data]\n\t" /* as soon as can be: the next byte may be waiting for its room */
                     "push r30\n\t"
                     "in r30, __SREG__\n\t"
                     "push r30\n\t"
                     "push r31\n\t"
                     "andi r25, %[damage]\n\t"
                     "brne 3f\n"
                     "1:\n\t" /* store r24 */
                     "lds r25, serial_in\n\t"
                     "mov r30, r25\n\t"
                     "ldi r31, 0\n\t"
                     "subi r30, lo8(-(serial_ring))\n\t"
                     "sbci r31, hi8(-(serial_ring))\n\t"
                     "st Z, r24\n\t"
                     "inc r25\n\t"
                     "andi r25, %[mask]\n\t"
                     "lds r24, serial_out\n\t"
                     "cp r24, r25\n\t"
                     "breq 4f\n\t"
                     "sts serial_in, r25\n"
                     "2:\n\t"
                     "pop r31\n\t"
                     "pop r30\n\t"
                     "out __SREG__, r30\n\t"
                     "pop r30\n\t"
                     "pop r25\n\t"
                     "pop r24\n\t"
                     "reti\n"
                     "3:\n\t" /* damaged, or bytes were lost before it */
                     "ldi r24, 0\n\t"
                     "sbrc r25, %[overrun]\n\t"
                     "sts serial_lost, r25\n\t"
                     "rjmp 1b\n"
                     "4:\n\t" /* full: what was stored last is spoilt, one byte before the free place */
                     "subi r25, 2\n\t"
                     "andi r25, %[mask]\n\t"
                     "mov r30, r25\n\t"
                     "ldi r31, 0\n\t"
                     "subi r30, lo8(-(serial_ring))\n\t"
                     "sbci r31, hi8(-(serial_ring))\n\t"
                     "ldi r24, 0\n\t"
                     "st Z, r24\n\t"
                     "ldi r24, 1\n\t"
                     "sts serial_lost, r24\n\t"
                     "rjmp 2b\n\t"
                     :
                     : [status] "n"(_SFR_MEM_ADDR(UCSR0A)), [data] "n"(_SFR_MEM_ADDR(UDR0)), [damage] "M"(_BV(FE0) | _BV(DOR0)),
                       [overrun] "I"(DOR0), [mask] "M"(RING - 1));
}

int16_t hal_read_serial(void)
{
    uint8_t out = serial_out;
    if (out == serial_in) {
        return -1;
    }
    uint8_t byte = serial_ring[out];
    serial_out = (uint8_t)(out + 1u) & (RING - 1u);
    return byte;
}

bool hal_take_serial_loss(void)
{
    bool had = serial_lost != 0;
    if (had) {
        serial_lost = 0;
    }
    return had;
}

void hal_send_serial(const uint8_t *data, uint8_t length)
{
    serial_sending = data;
    __asm__ volatile("" ::: "memory");
    serial_left = length;
}

bool hal_serial_is_idle(void)
{
    return serial_left == 0;
}
