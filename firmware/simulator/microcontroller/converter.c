/* The converter after the data sheet: 25 periods of its clock for the first conversion, 13 for the others; a sample is held 13.5 or 1.5
 * periods after a conversion's beginning, from the input that was selected at its beginning. */
#include <math.h>

#include "parts.h"

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
static void begin_conversion(struct board *b, uint64_t at)
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
        begin_conversion(b, when);
    } else {
        avr->data[R_ADCSRA] &= (uint8_t)~ADSC;
    }
    registers_request(b, VECTOR_ADC);
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
        begin_conversion(b, avr->cycle);
    }
}

void board_set_inputs(struct board *b, int64_t first, uint32_t step, uint32_t count, const float *codes)
{
    b->codes_first = first;
    b->codes_step = step;
    b->codes_count = count;
    b->codes = codes;
}

uint64_t board_get_next_hold(struct board *b, uint32_t *period)
{
    if (!b->converter.running) {
        *period = 0;
        return 0;
    }
    *period = 13 * converter_period(b);
    uint64_t hold = b->converter.hold;
    return hold >= b->avr->cycle ? hold : hold + *period;
}

void converter_begin(struct board *b)
{
    registers_replace(b, R_ADCSRA, NULL, write_adcsra);
    registers_replace(b, R_ADMUX, NULL, write_admux);
    registers_replace(b, R_ADCL, NULL, NULL);
    registers_replace(b, R_ADCH, NULL, NULL);
}

void converter_reset(struct board *b)
{
    b->converter = (struct converter){0};
}
