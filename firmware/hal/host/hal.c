/* hal.h on a computer. Every call takes some time, so that interrupts come in the middle of everything. */
#include "hal.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "crc.h"
#include "host.h"
#include "sampler.h"

enum { CALL = 8, SWITCHING = 96, STARTING = 240, WRITING = 54400, IDLE = 1664 };
enum { RING = 128, WAITING = 4096, HAPPENINGS = 4096, PROGRAM = 3000 };

uint8_t host_store[HOST_STORE];
void (*host_sent)(uint8_t byte);
void (*host_switched)(uint64_t clock, bool master, uint8_t loads);
uint32_t host_writes_left = UINT32_MAX;
void (*host_power_failed)(void);
uint16_t host_flipped_byte = UINT16_MAX;

static uint64_t now;
static bool is_held;
static enum hal_reset reset_cause;
static uint8_t kept;

static bool master;
static uint8_t loads;
static uint8_t range;
static bool latch_has_cause;
static bool latch_is_set;

/* The converter: the conversion under way, its input, when its sample is held and when it ends. */
static bool is_converting;
static uint32_t adc_clock;
static uint16_t counts[CHANNELS];
static uint8_t selected;
static uint8_t latched;
static uint16_t held_count;
static uint64_t hold_at;
static uint64_t end_at;
/* Conversions whose interrupt waits; as on the board one more overwrites it. */
static bool interrupt_waits;
static uint16_t misses;
static uint16_t result;

static bool comparator;
static uint8_t rises;
static bool is_armed;
static bool waits_for_rise;
static bool is_captured;
static uint32_t captured;

static uint8_t ring[RING];
static uint16_t ring_count;
static bool has_lost;
static struct {
    uint8_t byte;
    bool is_lost;
} waiting[WAITING];
static uint32_t waiting_in;
static uint32_t waiting_out;
static uint64_t next_arrival;
static bool overran;

static const uint8_t *sending;
static uint16_t sending_left;
static uint64_t next_sent;

static struct {
    uint64_t clock;
    enum host_kind kind;
    uint16_t a;
    uint16_t b;
} happenings[HAPPENINGS];
static uint32_t happening_count;

static uint64_t fed;
static uint64_t longest_unfed;

static void stop(const char *what)
{
    fprintf(stderr, "the core breaks a rule of hal.h: %s\n", what);
    abort();
}

/* --- time --- */

void host_happen(enum host_kind kind, uint16_t a, uint16_t b)
{
    switch (kind) {
    case HOST_CHANNEL:
        counts[a] = b;
        break;
    case HOST_COMPARATOR:
        if (comparator == (a != 0)) {
            break;
        }
        comparator = a != 0;
        rises = (uint8_t)(rises + comparator);
        if (is_armed && waits_for_rise == comparator) {
            is_armed = false;
            is_captured = true;
            captured = (uint32_t)now;
        }
        break;
    case HOST_MISS:
        misses = a;
        break;
    case HOST_LATCH:
        latch_has_cause = a != 0;
        latch_is_set = latch_is_set || latch_has_cause;
        break;
    }
}

void host_happen_at(uint64_t clock, enum host_kind kind, uint16_t a, uint16_t b)
{
    if (happening_count == HAPPENINGS) {
        stop("(not the core, the test: too many happenings)");
    }
    uint32_t at = happening_count++;
    while (at > 0 && happenings[at - 1].clock > clock) {
        happenings[at] = happenings[at - 1];
        at--;
    }
    happenings[at].clock = clock;
    happenings[at].kind = kind;
    happenings[at].a = a;
    happenings[at].b = b;
}

static void receive(void)
{
    uint8_t byte = waiting[waiting_out % WAITING].byte;
    bool is_lost = waiting[waiting_out % WAITING].is_lost;
    waiting_out++;
    next_arrival = now + HOST_CLOCKS_PER_BYTE;
    if (is_lost) {
        overran = true;
        has_lost = true;
        return;
    }
    if (overran) {
        byte = 0;
        overran = false;
    }
    if (ring_count == RING - 1) {
        ring[ring_count - 1] = 0;
        has_lost = true;
    } else {
        ring[ring_count++] = byte;
    }
}

static void serve_converter(void)
{
    if (interrupt_waits && misses != 0) {
        interrupt_waits = false;
        misses--;
    }
    if (interrupt_waits && !is_held) {
        interrupt_waits = false;
        selected = sampler_input_ahead();
        sampler_take(result, comparator);
    }
}

static uint64_t earliest(uint64_t a, uint64_t b)
{
    return a < b ? a : b;
}

static uint64_t next_clock(uint64_t limit)
{
    uint64_t next = limit;
    if (is_converting) {
        next = earliest(next, hold_at > now ? hold_at : end_at);
    }
    if (waiting_in != waiting_out) {
        next = earliest(next, next_arrival);
    }
    if (sending_left != 0) {
        next = earliest(next, next_sent);
    }
    if (happening_count != 0) {
        next = earliest(next, happenings[0].clock);
    }
    return next > now ? next : now;
}

static void do_what_is_due(void)
{
    while (happening_count != 0 && happenings[0].clock <= now) {
        host_happen(happenings[0].kind, happenings[0].a, happenings[0].b);
        happening_count--;
        memmove(happenings, happenings + 1, happening_count * sizeof happenings[0]);
    }
    if (is_converting && hold_at == now) {
        held_count = counts[latched];
    }
    if (is_converting && end_at == now) {
        result = held_count;
        interrupt_waits = true;
        latched = selected;
        hold_at = now + adc_clock * 3 / 2;
        end_at = now + adc_clock * 13;
    }
    if (waiting_in != waiting_out && next_arrival <= now) {
        receive();
    }
    if (sending_left != 0 && next_sent <= now) {
        host_sent(*sending++);
        sending_left--;
        next_sent = now + HOST_CLOCKS_PER_BYTE;
    }
    serve_converter();
}

void host_spend(uint64_t clocks)
{
    uint64_t until = now + clocks;
    do_what_is_due();
    while (now < until) {
        now = next_clock(until);
        do_what_is_due();
    }
}

uint64_t host_now(void)
{
    return now;
}

/* --- start --- */

void host_reset(enum hal_reset cause, uint8_t kept_before)
{
    reset_cause = cause;
    kept = cause == HAL_RESET_POWER ? 0 : kept_before;
}

void hal_begin(void)
{
    host_spend(CALL);
    fed = now;
}

enum hal_reset hal_reset_cause(void)
{
    return reset_cause;
}

uint8_t hal_kept_read(void)
{
    return kept;
}

void hal_kept_write(uint8_t value)
{
    kept = value;
}

/* --- switches --- */

void hal_switches_write(bool master_to, uint8_t loads_to)
{
    bool is_change = master != master_to || loads != loads_to;
    host_spend(SWITCHING);
    master = master_to;
    loads = loads_to;
    if (is_change) {
        host_switched(now, master, loads);
    }
}

bool hal_latch_is_set(void)
{
    host_spend(CALL);
    return latch_is_set;
}

void hal_latch_clear(void)
{
    host_spend(CALL);
    latch_is_set = latch_has_cause;
}

void hal_range_write(uint8_t range_to)
{
    host_spend(CALL);
    range = range_to;
}

uint8_t host_range(void)
{
    return range;
}

/* --- converter: a first conversion takes 25 periods of its clock and holds after 13.5, the others take 13 and hold after 1.5 --- */

uint32_t hal_converter_start(enum hal_mode mode)
{
    if (!is_held) {
        stop("hal_converter_start() without interrupts held");
    }
    adc_clock = mode == HAL_PRECISE ? 128 : 32;
    is_converting = true;
    interrupt_waits = false;
    latched = sampler_channel(0);
    hold_at = now + adc_clock * 27 / 2;
    end_at = now + adc_clock * 25;
    selected = sampler_channel(1);
    uint32_t first = (uint32_t)hold_at;
    host_spend(STARTING);
    return first;
}

bool hal_converter_has_ended(void)
{
    if (!is_held) {
        stop("hal_converter_has_ended() without interrupts held");
    }
    host_spend(CALL);
    return interrupt_waits;
}

/* --- clocks --- */

uint32_t hal_clock(void)
{
    host_spend(CALL);
    return (uint32_t)now;
}

uint32_t hal_milliseconds(void)
{
    host_spend(CALL);
    return (uint32_t)(now / HOST_CLOCKS_PER_MS);
}

void hal_watchdog_feed(void)
{
    host_spend(CALL);
    if (now - fed > longest_unfed) {
        longest_unfed = now - fed;
    }
    fed = now;
}

uint64_t host_longest_unfed(void)
{
    return longest_unfed;
}

/* --- comparator --- */

bool hal_comparator_is_high(void)
{
    host_spend(CALL);
    return comparator;
}

uint8_t hal_comparator_rises(void)
{
    host_spend(CALL);
    return rises;
}

void hal_capture_arm(bool rising)
{
    host_spend(CALL);
    is_armed = true;
    is_captured = false;
    waits_for_rise = rising;
}

bool hal_capture_read(uint32_t *clock)
{
    host_spend(CALL);
    if (is_captured) {
        *clock = captured;
    }
    return is_captured;
}

/* --- serial line --- */

static void wait_to_be_received(uint8_t byte, bool is_lost)
{
    if (waiting_in - waiting_out == WAITING) {
        stop("(not the core, the test: too many bytes at once)");
    }
    if (waiting_in == waiting_out && next_arrival < now) {
        next_arrival = now;
    }
    waiting[waiting_in % WAITING].byte = byte;
    waiting[waiting_in % WAITING].is_lost = is_lost;
    waiting_in++;
}

void host_receive(uint8_t byte)
{
    wait_to_be_received(byte, false);
}

void host_lose(void)
{
    wait_to_be_received(0, true);
}

int16_t hal_serial_read(void)
{
    host_spend(CALL);
    if (ring_count == 0) {
        return -1;
    }
    uint8_t byte = ring[0];
    ring_count--;
    memmove(ring, ring + 1, ring_count);
    return byte;
}

bool hal_serial_has_lost(void)
{
    bool had = has_lost;
    has_lost = false;
    return had;
}

void hal_serial_send(const uint8_t *data, uint8_t length)
{
    if (sending_left != 0 || length == 0) {
        stop("hal_serial_send() while the line is not idle, or of nothing");
    }
    sending = data;
    sending_left = length;
    next_sent = now + HOST_CLOCKS_PER_BYTE;
}

bool hal_serial_is_idle(void)
{
    host_spend(CALL);
    return sending_left == 0;
}

/* --- memory --- */

void hal_store_read(uint16_t address, void *data, uint16_t length)
{
    host_spend(CALL);
    memcpy(data, host_store + address, length);
}

void hal_store_write(uint16_t address, const void *data, uint16_t length)
{
    const uint8_t *byte = data;
    for (uint16_t k = 0; k < length; k++) {
        if (host_writes_left-- == 0) {
            /* Half written: the byte was erased and some of its bits have been set. */
            host_store[address + k] = byte[k] | 0xA5;
            host_power_failed();
        }
        if (host_store[address + k] != byte[k]) {
            host_store[address + k] = byte[k];
            host_spend(WRITING);
        }
        hal_watchdog_feed();
    }
}

static uint8_t program_byte(uint16_t address)
{
    return (uint8_t)(address * 7u + (address >> 8));
}

uint16_t hal_program_length(void)
{
    return PROGRAM + 2;
}

uint8_t hal_program_byte(uint16_t address)
{
    host_spend(CALL);
    uint8_t byte = program_byte(address);
    if (address >= PROGRAM) {
        uint16_t crc = CRC_BEGIN;
        for (uint16_t k = 0; k < PROGRAM; k++) {
            crc = crc_add(crc, program_byte(k));
        }
        byte = (uint8_t)(address == PROGRAM ? crc >> 8 : crc);
    }
    return address == host_flipped_byte ? byte ^ 1 : byte;
}

/* --- interrupts --- */

void hal_interrupts_hold(void)
{
    if (is_held) {
        stop("hal_interrupts_hold() nested");
    }
    is_held = true;
}

void hal_interrupts_release(void)
{
    if (!is_held) {
        stop("hal_interrupts_release() without hold");
    }
    is_held = false;
    serve_converter();
}

void hal_idle(void)
{
    if (is_held) {
        stop("hal_idle() with interrupts held");
    }
    host_spend(next_clock(now + IDLE) - now);
}
