/* Which pin is what, as the rig is wired (firmware/rig). Analog inputs A0..A7 are the channels of core/sampler.h, in their order. */
#ifndef PINS_H
#define PINS_H

#include <avr/io.h>

/* Port B */
#define PIN_COMPARATOR _BV(PB0) /* D8, ICP1: high while the unit's output is above half its input */
#define PIN_RCLK _BV(PB2)       /* D10: a rising edge takes the shifted loads over */
#define PIN_MOSI _BV(PB3)       /* D11: to the shift register's SER */
#define PIN_MISO _BV(PB4)       /* D12: not connected */
#define PIN_SCK _BV(PB5)        /* D13: to SRCLK */

/* Port D */
#define PIN_RX _BV(PD0)
#define PIN_TX _BV(PD1)
#define PIN_TRIP _BV(PD2)   /* high: the latch holds everything open */
#define PIN_ARM _BV(PD3)    /* low: everything is open, whatever else is said */
#define PIN_EDGES _BV(PD4)  /* T0: the comparator once more */
#define PIN_MASTER _BV(PD5) /* high: master switch closed */
#define PIN_CLEAR _BV(PD6)  /* low: the latch lets go */
#define PIN_RANGE _BV(PD7)  /* low: 18.8 V; high or floating: 36.8 V */

#endif
