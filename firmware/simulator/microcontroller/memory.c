/* The EEPROM: 3.4 ms to write a byte, which is erased first. */
#include <string.h>

#include "parts.h"

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

void memory_begin(struct board *b)
{
    memset(b->eeprom, 0xFF, sizeof b->eeprom);
    registers_replace(b, R_EECR, NULL, write_eecr);
}

void memory_reset(struct board *b)
{
    if (b->eeprom_busy) {
        eeprom_written(b->avr, b->avr->cycle, b); /* what was begun is finished by the hardware */
    }
}

uint8_t *board_get_eeprom(struct board *b)
{
    return b->eeprom;
}
