/* A board on this computer that runs a script: one command a line on the standard input, answers on the standard output, each command's
 * ended by a line with a point. The commands are the rows at the end; tests/firmware_host.py speaks them. Numbers are decimal, bytes
 * hexadecimal.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"
#include "crc.h"
#include "frame.h"
#include "host.h"
#include "number.h"
#include "sampler.h"
#include "timebase.h"

enum { LINE = 20000, ARGUMENTS = 10 };

static uint64_t turn_clocks = 400;
static bool is_sending;

static void tell_sent(uint8_t byte)
{
    if (!is_sending) {
        printf("sent ");
        is_sending = true;
    }
    printf("%02X", byte);
}

static void end_sent(void)
{
    if (is_sending) {
        putchar('\n');
        is_sending = false;
    }
}

static void tell_switched(uint64_t clock, bool master, uint8_t loads)
{
    end_sent();
    printf("switched %llu %d %d\n", (unsigned long long)clock, master, loads);
}

static void print_bytes(const char *name, const uint8_t *bytes, size_t length)
{
    printf("%s ", name);
    for (size_t k = 0; k < length; k++) {
        printf("%02X", bytes[k]);
    }
    putchar('\n');
}

static void dump(void)
{
    print_bytes("store", host_store, sizeof host_store);
    printf("kept %d\n", hal_read_kept());
}

static void fail_power(void)
{
    end_sent();
    printf("off\n");
    dump();
    printf(".\n");
    exit(0);
}

static size_t parse_bytes(const char *hex, uint8_t *bytes, size_t room)
{
    size_t length = strcmp(hex, "-") == 0 ? 0 : strlen(hex) / 2;
    if (length > room) {
        fprintf(stderr, "too many bytes\n");
        exit(2);
    }
    for (size_t k = 0; k < length; k++) {
        unsigned int byte;
        if (sscanf(hex + 2 * k, "%2x", &byte) != 1) {
            fprintf(stderr, "not bytes: %s\n", hex);
            exit(2);
        }
        bytes[k] = (uint8_t)byte;
    }
    return length;
}

static uint64_t number_of(const char *text)
{
    return strtoull(text, NULL, 10);
}

/* --- the board --- */

static void do_store(char **arguments)
{
    (void)parse_bytes(arguments[0], host_store, sizeof host_store);
}

static void do_begin(char **arguments)
{
    host_reset((enum hal_reset)number_of(arguments[0]), (uint8_t)number_of(arguments[1]));
    board_begin();
}

static void do_run(char **arguments)
{
    uint64_t until = host_read_clock() + number_of(arguments[0]);
    while (host_read_clock() < until) {
        board_step();
        host_spend_clocks(turn_clocks);
    }
    end_sent();
    printf("clock %llu\n", (unsigned long long)host_read_clock());
}

static void do_turn(char **arguments)
{
    turn_clocks = number_of(arguments[0]);
}

static void do_receive(char **arguments)
{
    static uint8_t bytes[LINE];
    size_t length = parse_bytes(arguments[0], bytes, sizeof bytes);
    for (size_t k = 0; k < length; k++) {
        host_receive_byte(bytes[k]);
    }
}

static void do_lose(char **arguments)
{
    (void)arguments;
    host_lose_byte();
}

static void do_mishap(char **arguments)
{
    uint64_t clock = host_read_clock() + number_of(arguments[0]);
    enum host_mishap kind = (enum host_mishap)number_of(arguments[1]);
    host_schedule_mishap(clock, kind, (uint16_t)number_of(arguments[2]), (uint16_t)number_of(arguments[3]));
}

static void do_cut(char **arguments)
{
    host_writes_left = (uint32_t)number_of(arguments[0]);
}

static void do_flip(char **arguments)
{
    host_flipped_byte = (uint16_t)number_of(arguments[0]);
}

static void do_first(char **arguments)
{
    timebase_first_stamp = (uint32_t)number_of(arguments[0]);
}

static void do_dump(char **arguments)
{
    (void)arguments;
    dump();
    printf("range %d\nunfed %llu\n", host_get_range(), (unsigned long long)host_get_longest_unfed());
}

/* --- parts of it --- */

static void do_crc(char **arguments)
{
    static uint8_t bytes[LINE];
    uint16_t crc = CRC_BEGIN;
    size_t length = parse_bytes(arguments[0], bytes, sizeof bytes);
    for (size_t k = 0; k < length; k++) {
        crc = crc_add_byte(crc, bytes[k]);
    }
    printf("crc %u\n", crc);
}

static void do_stuff(char **arguments)
{
    uint8_t bytes[256];
    size_t length = parse_bytes(arguments[0], bytes + 1, 253);
    print_bytes("stuffed", bytes, frame_stuff(bytes, (uint8_t)length));
}

/* type sequence stamp loads state flags edges body */
static void do_frame(char **arguments)
{
    uint8_t frame[FRAME_SAMPLES_ROOM];
    uint32_t stamp = (uint32_t)number_of(arguments[2]);
    frame[AT_TYPE] = (uint8_t)number_of(arguments[0]);
    frame[AT_SEQUENCE] = (uint8_t)number_of(arguments[1]);
    for (int k = 0; k < 4; k++) {
        frame[AT_STAMP + k] = (uint8_t)(stamp >> (8 * k));
    }
    frame[AT_LOADS] = (uint8_t)number_of(arguments[3]);
    frame[AT_STATE] = (uint8_t)number_of(arguments[4]);
    frame[AT_FLAGS] = (uint8_t)number_of(arguments[5]);
    frame[AT_EDGES] = (uint8_t)number_of(arguments[6]);
    size_t length = parse_bytes(arguments[7], frame + AT_BODY, FRAME_SAMPLES_BODY);
    uint8_t total = frame_finish(frame, (uint8_t)(FRAME_HEADER + length));
    print_bytes("frame", frame + AT_CODE, total);
}

/* 160 samples of three digits each, through the converter's interrupt. */
static void do_pack(char **arguments)
{
    sampler.now.bits = STATE_SAMPLING;
    sampler.left = 0;
    for (int k = 0; k < FRAME_SAMPLES; k++) {
        char digits[4] = {arguments[0][3 * k], arguments[0][3 * k + 1], arguments[0][3 * k + 2], 0};
        sampler_take_count((uint16_t)strtoul(digits, NULL, 16), false);
    }
    print_bytes("body", sampler_get_full_frame(0) + AT_BODY, FRAME_SAMPLES_BODY);
    sampler_release_frame();
}

static void do_number(char **arguments)
{
    static uint8_t text[256];
    struct number number = {0, 0, false, false};
    size_t length = parse_bytes(arguments[0], text, 255);
    int error = number_read((const char *)text, (uint8_t)length, &number);
    printf("number %d %.9g %u %d %d\n", error, (double)number.value, number.size, number.is_whole, number.is_negative);
}

static void do_write(char **arguments)
{
    char text[NUMBER_LONGEST];
    uint8_t length = number_write(text, strtof(arguments[0], NULL));
    printf("text %.*s\n", length, text);
}

static const struct {
    const char *name;
    int arguments;
    void (*run)(char **arguments);
} rows[] = {
    {"store", 1, do_store}, {"begin", 2, do_begin}, {"run", 1, do_run},     {"turn", 1, do_turn}, {"receive", 1, do_receive},
    {"lose", 0, do_lose},   {"mishap", 4, do_mishap}, {"cut", 1, do_cut},   {"flip", 1, do_flip}, {"first", 1, do_first},
    {"dump", 0, do_dump},   {"crc", 1, do_crc},     {"stuff", 1, do_stuff}, {"frame", 8, do_frame}, {"pack", 1, do_pack},
    {"number", 1, do_number}, {"write", 1, do_write},
};

static void run_script(char *line)
{
    char *arguments[ARGUMENTS] = {0};
    char *name = strtok(line, " \n");
    int count = 0;
    for (char *word; count < ARGUMENTS && (word = strtok(NULL, " \n")) != NULL; count++) {
        arguments[count] = word;
    }
    for (size_t k = 0; k < sizeof rows / sizeof rows[0]; k++) {
        if (name != NULL && strcmp(rows[k].name, name) == 0 && rows[k].arguments == count) {
            rows[k].run(arguments);
            return;
        }
    }
    fprintf(stderr, "no such command for the driver: %s with %d arguments\n", name != NULL ? name : "", count);
    exit(2);
}

int main(void)
{
    static char line[LINE];
    host_sent = tell_sent;
    host_switched = tell_switched;
    host_power_failed = fail_power;
    memset(host_store, 0xFF, sizeof host_store);
    while (fgets(line, sizeof line, stdin) != NULL) {
        run_script(line);
        end_sent();
        printf(".\n");
        fflush(stdout);
    }
    return 0;
}
