/* The serial line: bytes on their way to the board, its ring of received ones, and what it sends. */
#include "parts.h"

#include <string.h>

enum { RING = 128, ARRIVING = 4096 };

void (*host_sent)(uint8_t byte);

static uint8_t ring[RING];
static uint16_t ring_count;
static bool has_lost;

static struct {
    uint8_t byte;
    bool is_lost;
} arriving[ARRIVING];
static uint32_t arriving_in;
static uint32_t arriving_out;
static uint64_t next_arrival;
static bool has_overrun;

static const uint8_t *sending;
static uint16_t sending_left;
static uint64_t next_sent;

/* As on the board: a zero stands where bytes were lost, and spoils the last byte of a full ring. */
static void receive(void)
{
    uint8_t byte = arriving[arriving_out % ARRIVING].byte;
    bool is_lost = arriving[arriving_out % ARRIVING].is_lost;
    arriving_out++;
    next_arrival = host_read_clock() + HOST_CLOCKS_PER_BYTE;
    if (is_lost) {
        has_overrun = true;
        has_lost = true;
        return;
    }
    if (has_overrun) {
        byte = 0;
        has_overrun = false;
    }
    if (ring_count == RING - 1) {
        ring[ring_count - 1] = 0;
        has_lost = true;
    } else {
        ring[ring_count++] = byte;
    }
}

static uint64_t get_next(void)
{
    uint64_t arrival = arriving_in != arriving_out ? next_arrival : UINT64_MAX;
    uint64_t sent = sending_left != 0 ? next_sent : UINT64_MAX;
    return arrival < sent ? arrival : sent;
}

static void move(void)
{
    uint64_t now = host_read_clock();
    if (arriving_in != arriving_out && next_arrival <= now) {
        receive();
    }
    if (sending_left != 0 && next_sent <= now) {
        host_sent(*sending++);
        sending_left--;
        next_sent = now + HOST_CLOCKS_PER_BYTE;
    }
}

void serial_begin(void)
{
    static const struct part part = {get_next, move};
    time_add_part(&part);
}

static void add_arriving(uint8_t byte, bool is_lost)
{
    if (arriving_in - arriving_out == ARRIVING) {
        time_stop("too many bytes are on their way at once");
    }
    if (arriving_in == arriving_out && next_arrival < host_read_clock()) {
        next_arrival = host_read_clock();
    }
    arriving[arriving_in % ARRIVING].byte = byte;
    arriving[arriving_in % ARRIVING].is_lost = is_lost;
    arriving_in++;
}

void host_receive_byte(uint8_t byte)
{
    add_arriving(byte, false);
}

void host_lose_byte(void)
{
    add_arriving(0, true);
}

int16_t hal_read_serial(void)
{
    host_spend_clocks(CALL);
    if (ring_count == 0) {
        return -1;
    }
    uint8_t byte = ring[0];
    ring_count--;
    memmove(ring, ring + 1, ring_count);
    return byte;
}

bool hal_take_serial_loss(void)
{
    bool had = has_lost;
    has_lost = false;
    return had;
}

void hal_send_serial(const uint8_t *data, uint8_t length)
{
    if (sending_left != 0 || length == 0) {
        time_stop("hal_send_serial() while the line is not idle, or of nothing");
    }
    sending = data;
    sending_left = length;
    next_sent = host_read_clock() + HOST_CLOCKS_PER_BYTE;
}

bool hal_serial_is_idle(void)
{
    host_spend_clocks(CALL);
    return sending_left == 0;
}
