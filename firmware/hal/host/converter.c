/* The converter and its interrupt, the only one that calls the core. A first conversion takes 25 periods of the converter's clock and holds
 * after 13.5, the others take 13 and hold after 1.5 (data sheet). */
#include "parts.h"

#include "sampler.h"

enum { STARTING = 240, LONGEST_IDLE = 1664 };

/* The conversion under way: its input, when its sample is held and when it ends. */
static bool is_converting;
static uint32_t period;
static uint16_t counts[CHANNELS];
static uint8_t selected;
static uint8_t latched;
static uint16_t held_count;
static uint64_t hold_at;
static uint64_t end_at;

static bool is_held;
/* One result waits for its interrupt; as on the board, one more overwrites it. */
static bool interrupt_waits;
static uint16_t misses;
static uint16_t result;

void converter_set_count(uint16_t input, uint16_t count)
{
    counts[input] = count;
}

void converter_miss(uint16_t interrupts)
{
    misses = interrupts;
}

static void serve_interrupt(void)
{
    if (interrupt_waits && misses != 0) {
        interrupt_waits = false;
        misses--;
    }
    if (interrupt_waits && !is_held) {
        interrupt_waits = false;
        selected = sampler_get_input_ahead();
        sampler_take_count(result, comparator_get());
    }
}

static uint64_t get_next(void)
{
    return !is_converting ? UINT64_MAX : hold_at > host_read_clock() ? hold_at : end_at;
}

static void move(void)
{
    uint64_t now = host_read_clock();
    if (is_converting && hold_at == now) {
        held_count = counts[latched];
    }
    if (is_converting && end_at == now) {
        result = held_count;
        interrupt_waits = true;
        latched = selected;
        hold_at = now + period * 3 / 2;
        end_at = now + period * 13;
    }
    serve_interrupt();
}

void converter_begin(void)
{
    static const struct part part = {get_next, move};
    time_add_part(&part);
}

uint32_t hal_start_converter(enum hal_mode mode)
{
    if (!is_held) {
        time_stop("hal_start_converter() without interrupts held");
    }
    period = mode == HAL_PRECISE ? 128 : 32;
    is_converting = true;
    interrupt_waits = false;
    latched = sampler_get_input(0);
    hold_at = host_read_clock() + period * 27 / 2;
    end_at = host_read_clock() + period * 25;
    selected = sampler_get_input(1);
    uint32_t first = (uint32_t)hold_at;
    host_spend_clocks(STARTING);
    return first;
}

bool hal_converter_has_ended(void)
{
    if (!is_held) {
        time_stop("hal_converter_has_ended() without interrupts held");
    }
    host_spend_clocks(CALL);
    return interrupt_waits;
}

void hal_hold_interrupts(void)
{
    if (is_held) {
        time_stop("hal_hold_interrupts() nested");
    }
    is_held = true;
}

void hal_release_interrupts(void)
{
    if (!is_held) {
        time_stop("hal_release_interrupts() without hold");
    }
    is_held = false;
    serve_interrupt();
}

void hal_idle(void)
{
    if (is_held) {
        time_stop("hal_idle() with interrupts held");
    }
    time_wait(LONGEST_IDLE);
}
