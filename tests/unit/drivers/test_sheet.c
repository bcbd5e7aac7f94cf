/* The sheet driver: its states, and the page, to the byte (sheet_page.txt beside this file). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "drivers/drivers.h"

#define GROUPS 4

/* heron, the forecasting workstation of a tide office: 4 core groups of 4 cores, two threads a core */
static const int16_t cpus[GROUPS][8] = {{0, 1, 2, 3, 16, 17, 18, 19},
                                        {4, 5, 6, 7, 20, 21, 22, 23},
                                        {8, 9, 10, 11, 24, 25, 26, 27},
                                        {12, 13, 14, 15, 28, 29, 30, 31}};
static const struct hf_driver_group groups[GROUPS] = {{"ebb", cpus[0], 8, 4, 40, 0},
                                                      {"flood", cpus[1], 8, 4, 40, 0},
                                                      {"neap", cpus[2], 8, 4, 40, 0},
                                                      {"spring", cpus[3], 8, 4, 20, 0}};
static const struct hf_driver_config config = {.group_count = GROUPS,
                                               .groups = groups,
                                               .base_clock_mhz = 100,
                                               .ratio_lowest = 36,
                                               .ratio_step = 0.25,
                                               .step_count = 41};

static struct sheet {
    void *opened;
    struct hf_text page;
    struct hf_error error;
    enum hf_apply_result result;
} sheet;

static int open_sheet(void **state)
{
    (void)state;
    memset(&sheet, 0, sizeof sheet);
    hf_text_init(&sheet.page, 65536);
    return hf_driver_sheet.open(&config, &sheet.opened, &sheet.error);
}

static int close_sheet(void **state)
{
    (void)state;
    hf_driver_sheet.close(sheet.opened);
    hf_text_release(&sheet.page);
    return 0;
}

static int apply(int16_t a, int16_t b, int16_t c, int16_t d)
{
    const int16_t wanted[GROUPS] = {a, b, c, d};

    hf_text_clear(&sheet.page);
    hf_error_clear(&sheet.error);
    return hf_driver_sheet.apply(sheet.opened, wanted, &sheet.result, &sheet.page, &sheet.error);
}

static int in_force(int group)
{
    int step = -9;

    assert_int_equal(hf_driver_sheet.read_back(sheet.opened, group, &step, &sheet.error), HF_OK);
    return step;
}

static int confirm(int group, int step)
{
    hf_error_clear(&sheet.error);
    return hf_driver_sheet.confirm(sheet.opened, group, step, &sheet.error);
}

static void test_cost(void **state)
{
    struct hf_driver_cost cost;

    (void)state;
    hf_driver_sheet.cost(sheet.opened, &cost);
    assert_true(cost.apply_s == 300);
    assert_int_equal(cost.needs_reboot, 1);
    assert_int_equal(cost.needs_person, 1);
}

/* The group's row of the page says this ratio, and ends with this word. */
static int row_is(const char *group, const char *ratio, const char *word)
{
    char name[32];
    char row[120] = "";
    const char *at;

    snprintf(name, sizeof name, "\n  %s ", group);
    at = strstr(sheet.page.bytes, name);
    if (at != NULL)
        snprintf(row, sizeof row, "%.*s", (int)strcspn(at + 1, "\n"), at + 1);
    if (strlen(row) > 80 || strstr(row, ratio) == NULL || strlen(row) < strlen(word) + 2 ||
        strcmp(row + strlen(row) - strlen(word), word) != 0) {
        printf("the row of %s is \"%s\"\n", group, row);
        return 0;
    }
    return 1;
}

/* What an earlier session confirmed is shown, but believed only when a person says it again. */
static void test_last_session(void **state)
{
    static const int16_t last[GROUPS] = {21, 4, -1, 4};
    static const int16_t wanted[GROUPS] = {21, 8, 4, 4};
    struct hf_driver_config later = config;
    void *opened = NULL;
    int step = -9;

    (void)state;
    later.last_step = last;
    assert_int_equal(hf_driver_sheet.open(&later, &opened, &sheet.error), HF_OK);
    assert_int_equal(hf_driver_sheet.read_back(opened, 0, &step, &sheet.error), HF_OK);
    assert_int_equal(step, -1);
    assert_int_equal(hf_driver_sheet.apply(opened, wanted, &sheet.result, &sheet.page, &sheet.error), HF_OK);
    assert_int_equal(sheet.result, HF_APPLY_REQUESTED);
    assert_true(row_is("ebb", "41.25", "keep"));
    assert_true(row_is("flood", "38.00", "change"));
    assert_true(row_is("neap", "not known", "change"));
    assert_true(row_is("spring", "37.00", "keep"));
    hf_driver_sheet.close(opened);
}

static void test_states(void **state)
{
    (void)state;
    for (int g = 0; g < GROUPS; g++)
        assert_int_equal(in_force(g), -1); /* nobody has said anything */
    assert_int_equal(apply(21, -1, -1, -1), HF_OK);
    assert_int_equal(sheet.result, HF_APPLY_REQUESTED);
    assert_int_equal(in_force(0), -1);
    assert_int_equal(confirm(0, 21), HF_OK);
    assert_int_equal(in_force(0), 21);
    assert_int_equal(in_force(1), -1);
    /* the same again: nothing to do, no page */
    assert_int_equal(apply(21, -1, -1, -1), HF_OK);
    assert_int_equal(sheet.result, HF_APPLY_DONE);
    assert_int_equal(sheet.page.size, 0);
    assert_int_equal(in_force(0), 21);
    /* another step: unknown until somebody says so; every group is on the page, with what becomes of it */
    assert_int_equal(confirm(1, 4), HF_OK);
    assert_int_equal(apply(22, 4, -1, -1), HF_OK);
    assert_int_equal(sheet.result, HF_APPLY_REQUESTED);
    assert_true(row_is("ebb", "41.50", "change"));
    assert_true(row_is("flood", "37.00", "keep"));
    assert_true(row_is("neap", "as it is", "-"));
    assert_true(row_is("spring", "as it is", "-"));
    assert_int_equal(in_force(0), -1);
    assert_int_equal(in_force(1), 4);
    /* a person may have set something else: that is recorded, and read back shows the difference */
    assert_int_equal(confirm(0, 20), HF_OK);
    assert_int_equal(in_force(0), 20);
}

static void test_impossible_answers(void **state)
{
    (void)state;
    assert_int_equal(confirm(0, -1), HF_E_RANGE);
    assert_int_equal(confirm(0, 41), HF_E_RANGE);
    assert_int_equal(confirm(GROUPS, 4), HF_E_RANGE);
    assert_int_equal(confirm(-1, 4), HF_E_RANGE);
    assert_int_equal(confirm(3, 21), HF_E_REFUSED);
    assert_string_equal(sheet.error.message,
                        "group spring: ratio 41.25 is above its highest; lower it in the firmware setup");
    for (int g = 0; g < GROUPS; g++)
        assert_int_equal(in_force(g), -1);
    assert_int_equal(apply(-1, -1, -1, 21), HF_E_REFUSED);
    assert_int_equal(sheet.page.size, 0);
    assert_int_equal(apply(-1, -1, -1, -1), HF_OK);
    assert_int_equal(sheet.result, HF_APPLY_DONE);
}

static void test_page_to_the_byte(void **state)
{
    struct hf_text expected;
    struct hf_error error = {0};
    int line = 1;
    int column = 0;

    (void)state;
    assert_int_equal(confirm(0, 20), HF_OK);
    assert_int_equal(confirm(2, 19), HF_OK);
    assert_int_equal(apply(21, 25, 19, -1), HF_OK);
    if (getenv("HOLDFAST_WRITE_EXPECTED") != NULL) /* then read the page before it is committed */
        assert_int_equal(hf_text_write_file(&sheet.page, getenv("HOLDFAST_WRITE_EXPECTED"), &error), HF_OK);
    assert_int_equal(
        hf_text_read_file(&expected, HOLDFAST_SOURCE_DIR "/tests/unit/drivers/sheet_page.txt", 65536, &error),
        HF_OK);
    assert_string_equal(sheet.page.bytes, expected.bytes);
    hf_text_release(&expected);
    /* it fits a printed page: 60 lines of 80 columns */
    for (const char *at = sheet.page.bytes; *at != '\0'; at++) {
        column = *at == '\n' ? 0 : column + 1;
        line += *at == '\n';
        assert_true(column <= 80);
    }
    assert_true(line <= 60);
}

static void test_page_says_what_can_hurt(void **state)
{
    static const char *const words[] = {
        "heat",           "backup", "warranty",         "makers",
        "liquid cooling", "mains",  "does not come up", "clear the stored settings",
        "every voltage"};

    (void)state;
    assert_int_equal(apply(21, -1, -1, -1), HF_OK);
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        if (strstr(sheet.page.bytes, words[i]) == NULL)
            fail_msg("the page does not mention: %s", words[i]);
    }
}

/* Every listed clock is base clock x ratio, for odd grids too. */
static void test_page_arithmetic(void **state)
{
    static const double bases[] = {100, 99.8, 133.33};
    static const double grids[] = {0.25, 0.5, 1, 0.125};

    (void)state;
    for (size_t b = 0; b < sizeof bases / sizeof bases[0]; b++) {
        for (size_t g = 0; g < sizeof grids / sizeof grids[0]; g++) {
            struct hf_driver_config odd = config;
            const int16_t wanted[GROUPS] = {13, -1, -1, -1};
            struct hf_text page;
            struct hf_error error = {0};
            enum hf_apply_result result;
            void *opened = NULL;
            double ratio = -1;
            double mhz = -1;

            odd.base_clock_mhz = bases[b];
            odd.ratio_step = grids[g];
            hf_text_init(&page, 65536);
            assert_int_equal(hf_driver_sheet.open(&odd, &opened, &error), HF_OK);
            assert_int_equal(hf_driver_sheet.apply(opened, wanted, &result, &page, &error), HF_OK);
            assert_int_equal(
                sscanf(strstr(page.bytes, "  ebb"), " ebb 0-3,16-19 %lf %lf not known", &ratio, &mhz), 2);
            assert_true(ratio > 36 + 13 * grids[g] - 1e-9 && ratio < 36 + 13 * grids[g] + 1e-9);
            assert_true(mhz > ratio * bases[b] - 0.006 && mhz < ratio * bases[b] + 0.006);
            hf_driver_sheet.close(opened);
            hf_text_release(&page);
        }
    }
}

static void test_page_too_large(void **state)
{
    const int16_t wanted[GROUPS] = {21, -1, -1, -1};
    struct hf_text small;

    (void)state;
    assert_int_equal(confirm(0, 20), HF_OK);
    hf_text_init(&small, 100);
    assert_int_equal(hf_driver_sheet.apply(sheet.opened, wanted, &sheet.result, &small, &sheet.error),
                     HF_E_FULL);
    assert_int_equal(in_force(0), 20); /* no page, no change */
    hf_text_release(&small);
}

static void test_baseline_needs_a_person(void **state)
{
    struct hf_error error = {0};

    (void)state;
    assert_int_equal(hf_driver_to_baseline(&hf_driver_sheet, sheet.opened, &config, &error), HF_E_UNPROVED);
    assert_non_null(strstr(error.message, "ebb (ratio 37.00), flood (ratio 37.00)"));
    hf_error_clear(&error);
    for (int g = 0; g < GROUPS; g++)
        assert_int_equal(confirm(g, 4), HF_OK);
    assert_int_equal(hf_driver_to_baseline(&hf_driver_sheet, sheet.opened, &config, &error), HF_OK);
}

#define T(name) cmocka_unit_test_setup_teardown(name, open_sheet, close_sheet)

int main(void)
{
    const struct CMUnitTest tests[] = {
        T(test_cost),
        T(test_states),
        T(test_last_session),
        T(test_impossible_answers),
        T(test_page_to_the_byte),
        T(test_page_says_what_can_hurt),
        T(test_page_arithmetic),
        T(test_page_too_large),
        T(test_baseline_needs_a_person),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
