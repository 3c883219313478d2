/* Feeds the board with damaged command lines and noise: board_fuzz LINES SEED. Checks: sanitizers; a refused line changes nothing
 * and queues one error; nothing closes but by a line that says so; all that is sent can be decoded; the watchdog is fed. Ends with 1 and a
 * line that says what broke.
 */
#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"
#include "commands.h"
#include "crc.h"
#include "host.h"
#include "long_query.h"
#include "protection.h"
#include "state.h"
#include "status.h"
#include "wire.h"

enum { LONGEST = 120, LONGEST_PIECE = 254, PATIENCE_MS = 2000 };

static uint64_t random_state;
static char line[LONGEST + 1];
static uint8_t piece[LONGEST_PIECE + 1];
static size_t piece_length;
static unsigned long frames;
static unsigned long texts;

static void fail(const char *what)
{
    printf("%s, at the line \"", what);
    for (const char *c = line; *c != '\0'; c++) {
        printf(isprint((unsigned char)*c) ? "%c" : "\\x%02X", (unsigned char)*c);
    }
    printf("\"\n");
    exit(1);
}

/* A number below `limit`: xorshift (G. Marsaglia, Journal of Statistical Software 8, 2003). */
static uint32_t draw(uint32_t limit)
{
    random_state ^= random_state << 13;
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return (uint32_t)(random_state >> 32) % limit;
}

/* --- lines --- */

static const char *const parameters[] = {
    "0", "1", "ON", "OFF", "MAYBE", "FAST", "PRECise", "(@1)", "(@1,3:5)", "(@8:1)", "(@)", "(@9)", "(@1", "(@1:2:3)", "(@1000)",
    "( @ 2 , 4 )", "12.8", "-1", "1E400", "-1E-400", "1E", "+", ".", "1.2.3", "255", "256", "4.0", "10 A", "v_in", "i_load", "nothing",
    "0.036", "16000000", "16E6", "20261125", "A4711", "a-b", "UNIT_0123456789", "99999999999999999999999999",
    "0.00000000000000000000000000000001", "",
};

static void add(const char *text)
{
    strncat(line, text, LONGEST - strlen(line));
}

static void add_header(void)
{
    size_t commands = 0;
    while (commands_table[commands].pattern[0] != '\0') {
        commands++;
    }
    char header[40];
    size_t length = 0;
    bool is_short = draw(2) == 0;
    for (const char *c = commands_table[draw((uint32_t)commands)].pattern; *c != '\0'; c++) {
        if (*c == '[' && draw(2) == 0) {
            while (*c != ']') {
                c++;
            }
        } else if (*c != '[' && *c != ']' && !(islower((unsigned char)*c) && is_short)) {
            header[length++] = draw(4) == 0 ? (char)tolower((unsigned char)*c) : *c;
        }
    }
    header[length] = '\0';
    add(header);
}

static void damage(void)
{
    size_t length = strlen(line);
    if (length == 0) {
        return;
    }
    size_t at = draw((uint32_t)length);
    switch (draw(5)) {
    case 0:
        line[at] = (char)(1 + draw(255));
        break;
    case 1:
        memmove(line + at, line + at + 1, length - at);
        break;
    case 2:
        line[at] = '\0';
        break;
    case 3:
        line[at] = " ,;:?*()@\t\r"[draw(11)];
        break;
    default: {
        char tail[LONGEST + 1];
        strcpy(tail, line + at);
        add(tail);
        break;
    }
    }
    for (char *c = line; *c != '\0'; c++) {
        if (*c == '\n') {
            *c = ' ';
        }
    }
}

static void make_line(void)
{
    line[0] = '\0';
    add_header();
    uint32_t count = draw(3) == 0 ? draw(8) : draw(2);
    for (uint32_t k = 0; k < count; k++) {
        add(k == 0 ? " " : ",");
        add(parameters[draw(sizeof parameters / sizeof parameters[0])]);
    }
    for (uint32_t damages = draw(3) == 0 ? draw(4) : 0; damages != 0; damages--) {
        damage();
    }
}

/* --- what is sent --- */

static void check_frame(void)
{
    uint16_t crc = CRC_BEGIN;
    size_t at = 0;
    while (at < piece_length) {
        size_t end = at + piece[at];
        if (end > piece_length) {
            fail("a frame's stuffing is wrong");
        }
        for (at++; at < end; at++) {
            crc = crc_add_byte(crc, piece[at]);
        }
        if (at < piece_length) {
            crc = crc_add_byte(crc, 0);
        }
    }
    if (crc != 0) {
        fail("a frame's CRC is wrong");
    }
    frames++;
}

static void check_text(void)
{
    for (size_t k = 0; k + 1 < piece_length; k++) {
        if (!isprint(piece[k])) {
            fail("a reply is not printable");
        }
    }
    if (piece[piece_length - 1] != '\n') {
        fail("a reply has no end");
    }
    texts++;
}

static void hear(uint8_t byte)
{
    if (byte != 0) {
        if (piece_length == LONGEST_PIECE) {
            fail("a piece is too long");
        }
        piece[piece_length++] = byte;
        return;
    }
    if (piece_length > 1 && (piece[1] == TYPE_SAMPLES || piece[1] == TYPE_EVENT)) {
        check_frame();
    } else if (piece_length != 0) {
        check_text();
    }
    piece_length = 0;
}

/* --- what it does --- */

static bool line_says(const char *word)
{
    size_t length = strlen(word);
    for (const char *c = line; *c != '\0'; c++) {
        size_t k = 0;
        while (k < length && toupper((unsigned char)c[k]) == word[k]) {
            k++;
        }
        if (k == length) {
            return true;
        }
    }
    return false;
}

static void ignore_switches(uint64_t clock, bool master, uint8_t loads)
{
    (void)clock;
    (void)master;
    (void)loads;
}

static void run(uint32_t milliseconds)
{
    uint64_t until = host_read_clock() + (uint64_t)milliseconds * HOST_CLOCKS_PER_MS;
    while (host_read_clock() < until) {
        board_step();
        host_spend_clocks(draw(2000));
    }
}

struct snapshot {
    struct board_state board;
    float settings[RIG_LIMITS];
};

static struct snapshot look(void)
{
    struct snapshot seen;
    memset(&seen, 0, sizeof seen);
    seen.board = state_get();
    for (uint8_t place = 0; place < RIG_LIMITS; place++) {
        seen.settings[place] = protection_get_setting((enum rig_limit_place)place);
    }
    return seen;
}

static void check(const struct snapshot *before)
{
    struct snapshot after = look();
    bool has_tripped = (after.board.bits & ~before->board.bits & STATE_TRIPPED) != 0;
    uint8_t errors = status_count_errors();
    int16_t error = status_take_error();
    if (errors > 1) {
        fail("one line has left several errors");
    }
    if (error != ERROR_NONE && error != ERROR_SELF_TEST && !has_tripped && memcmp(before, &after, sizeof after) != 0) {
        fail("a refused line has changed something");
    }
    if ((after.board.loads & ~before->board.loads) != 0 && !line_says("CLOS")) {
        fail("a load has closed unasked");
    }
    if ((after.board.bits & ~before->board.bits & STATE_MASTER) != 0 && !line_says("OUTP")) {
        fail("the master switch has closed unasked");
    }
}

static void feed_line(void)
{
    struct snapshot before = look();
    for (const char *c = line; *c != '\0'; c++) {
        host_receive_byte((uint8_t)*c);
    }
    host_receive_byte('\n');
    run(3);
    for (uint32_t waited = 0; long_query_is_running(); waited++) {
        if (waited == PATIENCE_MS) {
            fail("a query takes too long");
        }
        run(1);
    }
    check(&before);
}

int main(int count, char **arguments)
{
    if (count != 3) {
        fprintf(stderr, "usage: board_fuzz LINES SEED\n");
        return 2;
    }
    unsigned long lines = strtoul(arguments[1], NULL, 10);
    random_state = 0x9E3779B97F4A7C15ull * (1 + strtoul(arguments[2], NULL, 10));
    host_sent = hear;
    host_switched = ignore_switches;
    memset(host_store, 0xFF, sizeof host_store);
    host_reset(HAL_RESET_POWER, 0);
    board_begin();
    run(5);
    status_clear();
    for (unsigned long k = 0; k < lines; k++) {
        make_line();
        feed_line();
    }
    if (host_get_longest_unfed() > 50 * HOST_CLOCKS_PER_MS) {
        fail("the watchdog was hungry for more than 50 ms");
    }
    printf("lines %lu, frames %lu, replies %lu\n", lines, frames, texts);
    return 0;
}
