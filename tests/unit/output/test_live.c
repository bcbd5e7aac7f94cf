/* The live view: what is drawn for a state and a terminal's size, and how it replaces the frame before it. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "holdfast/live.h"

static char names[64][8];

static void fill(struct hf_live_state *state, int groups)
{
    *state = (struct hf_live_state){
        .name = "heron",
        .session = 2,
        .gone_s = 3.2 * 3600,
        .left_median_s = 5.1 * 3600,
        .left_p90_s = 6.9 * 3600,
        .clock_factor = 1,
        .resets = 3,
        .failures = 7,
        .voids = 2,
        .blocks = 1234567,
        .hottest_celsius = 78,
        .hottest = "g2",
        .next = "the soak of all groups together",
        .group_count = groups,
    };
    for (int g = 0; g < groups; g++) {
        (void)snprintf(names[g], sizeof names[g], "g%d", g);
        state->group[g] = (struct hf_live_group){.name = names[g],
                                                 .ratio = 39.25,
                                                 .doing = "edge",
                                                 .done_s = 41,
                                                 .limit_s = 100,
                                                 .has_last = 1,
                                                 .last_verdict = HF_VERDICT_PASS,
                                                 .last_cause = HF_CAUSE_TIME_SERVED,
                                                 .last_ratio = 39};
    }
    (void)snprintf(state->event[2], sizeof state->event[2],
                   "trial 12: g1 fail, wrong-result on CPU 5 after 3.2 min");
}

/* Lines, and the longest of them in characters (escape sequences take no room). */
static int count_lines(const char *frame, int *ret_longest)
{
    int lines = 0;
    int width = 0;
    int in_escape = 0;

    *ret_longest = 0;
    for (const char *c = frame; *c != '\0'; c++) {
        if (*c == '\n') {
            lines++;
            width = 0;
        } else if (*c == '\033') {
            in_escape = 1;
        } else if (in_escape) {
            in_escape = !((*c >= 'a' && *c <= 'z') || (*c >= 'A' && *c <= 'Z'));
        } else if (((unsigned char)*c & 0xc0) != 0x80 && ++width > *ret_longest) {
            *ret_longest = width;
        }
    }
    return lines;
}

static int draw(const struct hf_live_state *state, int columns, int rows, int colour, struct hf_text *text)
{
    struct hf_live_terminal terminal = {.columns = columns, .rows = rows, .colour = colour};
    int longest;
    int lines;

    hf_text_clear(text);
    lines = hf_live_frame(state, &terminal, text);
    assert_int_equal(count_lines(text->bytes, &longest), lines);
    assert_true(longest <= columns);
    assert_false(text->overflowed);
    return lines;
}

static void test_fits(void **unused)
{
    static const int sizes[][2] = {{80, 24}, {200, 60}, {80, 12}, {40, 24}, {300, 100}};
    struct hf_live_state state;
    struct hf_text text;

    (void)unused;
    hf_text_init(&text, 256 * 1024);
    for (int groups = 1; groups <= 64; groups++) {
        fill(&state, groups);
        for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
            for (int colour = 0; colour <= 1; colour++)
                assert_true(draw(&state, sizes[i][0], sizes[i][1], colour, &text) < sizes[i][1]);
        }
    }
    hf_text_release(&text);
}

static void test_says(void **unused)
{
    struct hf_live_state state;
    struct hf_text text;

    (void)unused;
    hf_text_init(&text, 256 * 1024);
    fill(&state, 4);
    state.group[1].last_verdict = HF_VERDICT_FAIL;
    state.group[1].last_cause = HF_CAUSE_WRONG_RESULT;
    (void)draw(&state, 80, 24, 0, &text);
    assert_non_null(strstr(text.bytes, "heron  3.2 h gone, about 5.1 h to go (9 in 10 nights: 6.9 h)"));
    assert_non_null(strstr(text.bytes, "39.00 wrong-result"));
    assert_non_null(
        strstr(text.bytes, "hottest g2 78 degC, 3 resets, 7 failed, 2 void, 1234567 blocks checked"));
    assert_non_null(strstr(text.bytes, "next: the soak of all groups together"));
    assert_non_null(strstr(text.bytes, "wrong-result on CPU 5"));
    assert_non_null(strstr(text.bytes, "=====.......")); /* 41 of 100 s: five of twelve */
    assert_null(strchr(text.bytes, '\033'));
    state.left_median_s = NAN;
    state.hottest_celsius = NAN;
    (void)draw(&state, 80, 24, 1, &text);
    assert_non_null(strstr(text.bytes, "not known yet"));
    assert_non_null(strstr(text.bytes, "no temperature"));
    assert_non_null(strchr(text.bytes, '\033'));
    hf_text_release(&text);
}

/* 32 groups in 24 rows: what failed is shown whatever its place, and what is left out is counted. */
static void test_more_groups_than_rows(void **unused)
{
    struct hf_live_state state;
    struct hf_text text;

    (void)unused;
    hf_text_init(&text, 256 * 1024);
    fill(&state, 32);
    state.group[31].last_verdict = HF_VERDICT_FAIL;
    state.group[31].last_cause = HF_CAUSE_STALL;
    (void)draw(&state, 80, 24, 0, &text);
    assert_non_null(strstr(text.bytes, "g31 "));
    assert_non_null(strstr(text.bytes, "and 15 more group(s)"));
    (void)draw(&state, 200, 60, 0, &text);
    assert_null(strstr(text.bytes, "more group"));
    (void)draw(&state, 200, 30, 0, &text); /* side by side */
    assert_null(strstr(text.bytes, "more group"));
    hf_text_release(&text);
}

/* A terminal of one purpose: carriage return, newline, cursor up, erase to the end of line and of screen. */
struct screen {
    char cell[40][201];
    int row, column, erased_cells;
};

static void put(struct screen *screen, const char *bytes)
{
    for (const char *c = bytes; *c != '\0'; c++) {
        int number;
        char command;
        int length;

        if (*c == '\r') {
            screen->column = 0;
        } else if (*c == '\n') {
            screen->row++;
            screen->column = 0;
        } else if (*c == '\033' && sscanf(c, "\033[%d%c%n", &number, &command, &length) == 2 &&
                   command == 'A') {
            screen->row -= number;
            c += length - 1;
        } else if (*c == '\033' && c[2] == 'K') {
            for (int i = screen->column; i < 200; i++)
                screen->cell[screen->row][i] = ' ';
            c += 2;
        } else if (*c == '\033' && c[2] == 'J') {
            for (int row = screen->row; row < 40; row++) {
                for (int i = row == screen->row ? screen->column : 0; i < 200; i++)
                    screen->cell[row][i] = ' ';
            }
            c += 2;
        } else {
            assert_true(screen->row >= 0 && screen->row < 40 && screen->column < 200);
            screen->cell[screen->row][screen->column++] = *c;
        }
    }
}

static void blank(struct screen *screen)
{
    *screen = (struct screen){.row = 0};
    for (int row = 0; row < 40; row++)
        memset(screen->cell[row], ' ', 200);
}

/* Whatever stood there before, the screen ends as if the last frame had been drawn on an empty one. */
static void test_redraw_replaces(void **unused)
{
    static struct screen both;
    static struct screen fresh;
    struct hf_live_state state;
    struct hf_text frame;
    struct hf_text bytes;
    int before = 0;

    (void)unused;
    hf_text_init(&frame, 256 * 1024);
    hf_text_init(&bytes, 256 * 1024);
    blank(&both);
    for (int groups = 12; groups >= 2; groups -= 5) {
        int lines;

        fill(&state, groups);
        lines = draw(&state, 80, 24, 0, &frame);
        hf_text_clear(&bytes);
        hf_live_redraw(&frame, before, &bytes);
        put(&both, bytes.bytes);
        before = lines;
        blank(&fresh);
        hf_text_clear(&bytes);
        hf_live_redraw(&frame, 0, &bytes);
        put(&fresh, bytes.bytes);
        assert_memory_equal(both.cell, fresh.cell, sizeof both.cell);
        assert_int_equal(both.row, lines);
    }
    hf_text_clear(&bytes);
    hf_live_erase(before, &bytes);
    put(&both, bytes.bytes);
    blank(&fresh);
    assert_memory_equal(both.cell, fresh.cell, sizeof both.cell);
    assert_int_equal(both.row, 0);
    hf_text_release(&frame);
    hf_text_release(&bytes);
}

/* no-color.org: any value but the empty one turns colour off. */
static void test_terminals(void **unused)
{
    (void)unused;
    assert_true(hf_live_wanted("xterm"));
    assert_false(hf_live_wanted("dumb"));
    assert_false(hf_live_wanted(""));
    assert_false(hf_live_wanted(NULL));
    assert_true(hf_live_colour("xterm", NULL));
    assert_true(hf_live_colour("xterm", ""));
    assert_false(hf_live_colour("xterm", "1"));
    assert_false(hf_live_colour("dumb", NULL));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_fits),
        cmocka_unit_test(test_says),
        cmocka_unit_test(test_more_groups_than_rows),
        cmocka_unit_test(test_redraw_replaces),
        cmocka_unit_test(test_terminals),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
