/* Mixes: what the parser takes and refuses, and the programme as a pure function with the right statistics.
 */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "holdfast/mix.h"

#define SLICES 40000

static const char *const builtin_names[] = {"quick", "screen", "night"};

static struct hf_mix builtin_of(const char *name)
{
    struct hf_error error = {0};
    struct hf_mix mix;

    assert_int_equal(hf_mix_builtin(name, &mix, &error), HF_OK);
    return mix;
}

static double total_weight(const struct hf_mix *mix)
{
    double total = 0;

    for (int i = 0; i < mix->entry_count; i++)
        total += mix->entry[i].weight;
    return total;
}

static void test_builtin(void **unused)
{
    struct hf_error error = {0};
    struct hf_mix mix;

    (void)unused;
    for (int i = 0; i < 3; i++) {
        mix = builtin_of(builtin_names[i]);
        assert_string_equal(mix.name, builtin_names[i]);
        assert_true(mix.slice_low_s > 0 && mix.slice_high_s >= mix.slice_low_s);
        for (int e = 0; e < mix.entry_count; e++) {
            const struct hf_mix_entry *entry = &mix.entry[e];

            assert_true(hf_kernel_index(entry->kernel, entry->width_bits) >= 0);
            assert_true(entry->weight > 0);
            assert_int_equal(entry->pattern == HF_PATTERN_SOLO_THEN_ALL, entry->solo_kernel[0] != '\0');
            assert_int_equal(entry->pattern == HF_PATTERN_SQUARE, entry->duty > 0);
            assert_true(entry->pattern != HF_PATTERN_SQUARE || entry->period_s >= HF_SQUARE_PERIOD_LOW_S);
        }
        assert_true(mix.entry_count == HF_MIX_ENTRIES_MAX || mix.entry[mix.entry_count].weight == 0);
    }
    assert_int_equal(hf_mix_builtin("evening", &mix, &error), HF_E_NOT_FOUND);
    assert_non_null(strstr(error.message, "night"));
}

/* 45 : 20 : 15, as the kernels that exist share the night. */
static void test_night_shares(void **unused)
{
    struct hf_mix mix = builtin_of("night");
    double fma = 0, multiply = 0, branch = 0;

    (void)unused;
    for (int i = 0; i < mix.entry_count; i++) {
        fma += strcmp(mix.entry[i].kernel, "fma-residue") == 0 ? mix.entry[i].weight : 0;
        multiply += strcmp(mix.entry[i].kernel, "wide-multiply") == 0 ? mix.entry[i].weight : 0;
        branch += strcmp(mix.entry[i].kernel, "branch") == 0 ? mix.entry[i].weight : 0;
    }
    assert_true(fabs(fma - 45) < 1e-9 && fabs(multiply - 20) < 1e-9 && fabs(branch - 15) < 1e-9);
}

static void test_slice_is_pure(void **unused)
{
    struct hf_mix mix = builtin_of("night");

    (void)unused;
    for (uint64_t n = 0; n < 500; n++) {
        struct hf_slice first, again, elsewhere;

        memset(&first, 0, sizeof first);
        memset(&again, 0xff, sizeof again);
        hf_mix_slice(&mix, 7, n, &first);
        hf_mix_slice(&mix, 8, 499 - n, &elsewhere);
        hf_mix_slice(&mix, 7, n, &again);
        assert_true(first.seed == again.seed && first.entry == again.entry && first.kernel == again.kernel &&
                    first.solo_kernel == again.solo_kernel && first.operands == again.operands &&
                    first.pattern == again.pattern && first.sync == again.sync &&
                    first.period_s == again.period_s && first.duty == again.duty &&
                    first.length_s == again.length_s && first.number == n);
        assert_true(first.seed != elsewhere.seed);
    }
}

/* Weights are shares of time; every entry comes soon; operand sets take turns within each entry. */
static void check_statistics(const char *name, uint64_t seed)
{
    static double seconds[HF_MIX_ENTRIES_MAX], sets[HF_MIX_ENTRIES_MAX][HF_OPERANDS_COUNT];
    static uint64_t last[HF_MIX_ENTRIES_MAX];
    struct hf_mix mix = builtin_of(name);
    double total = total_weight(&mix);
    double all_seconds = 0;

    memset(seconds, 0, sizeof seconds);
    memset(sets, 0, sizeof sets);
    memset(last, 0, sizeof last);
    for (uint64_t n = 0; n < SLICES; n++) {
        struct hf_slice slice;
        double share;

        hf_mix_slice(&mix, seed, n, &slice);
        share = mix.entry[slice.entry].weight / total;
        seconds[slice.entry] += slice.length_s;
        all_seconds += slice.length_s;
        sets[slice.entry][slice.operands]++;
        assert_true((double)(n - last[slice.entry]) <= 3 / share);
        last[slice.entry] = n;
        assert_true(slice.length_s >= mix.slice_low_s && slice.length_s <= mix.slice_high_s);
    }
    /* lengths are random: the share of entry e has the standard deviation below (sd of a uniform length over
     * its mean, at most 0.35 with slices of 0.5 to 2 s) */
    for (int e = 0; e < mix.entry_count; e++) {
        double share = mix.entry[e].weight / total;
        double count = SLICES * share;

        assert_true(fabs(seconds[e] / all_seconds - share) < share * (5 * 0.35 / sqrt(count) + 8 / count));
        for (int set = 0; set < HF_OPERANDS_COUNT; set++)
            assert_true(fabs(sets[e][set] / count - 0.25) < 0.03);
    }
}

static void test_slice_statistics(void **unused)
{
    (void)unused;
    for (int i = 0; i < 3; i++) {
        for (uint64_t seed = 1; seed <= 5; seed++)
            check_statistics(builtin_names[i], seed);
    }
}

static void test_length_and_period(void **unused)
{
    struct hf_mix mix = builtin_of("night");
    double length = 0, log_period = 0;
    int squares = 0;

    (void)unused;
    for (uint64_t n = 0; n < SLICES; n++) {
        struct hf_slice slice;
        const struct hf_mix_entry *entry;

        hf_mix_slice(&mix, 3, n, &slice);
        entry = &mix.entry[slice.entry];
        length += slice.length_s;
        if (entry->pattern != HF_PATTERN_SQUARE)
            continue;
        assert_true(slice.period_s >= entry->period_s * 0.999999 &&
                    slice.period_s <= entry->period_high_s * 1.000001);
        log_period += log(slice.period_s / entry->period_s) / log(entry->period_high_s / entry->period_s);
        squares++;
    }
    /* means of uniform numbers, within five standard deviations */
    assert_true(fabs(length / SLICES - 1.25) < 5 * 1.5 / sqrt(12.0 * SLICES));
    assert_true(fabs(log_period / squares - 0.5) < 5 / sqrt(12.0 * squares));
}

static void test_block_seeds_differ(void **unused)
{
    static uint64_t seeds[8 * 50];
    struct hf_mix mix = builtin_of("quick");
    struct hf_slice slice, next;
    int count = 0;

    (void)unused;
    hf_mix_slice(&mix, 3, 4, &slice);
    hf_mix_slice(&mix, 3, 5, &next);
    for (int worker = 0; worker < 4; worker++) {
        for (uint64_t block = 0; block < 50; block++) {
            seeds[count++] = hf_slice_block_seed(&slice, worker, block);
            seeds[count++] = hf_slice_block_seed(&next, worker, block);
        }
    }
    for (int a = 0; a < count; a++) {
        for (int b = 0; b < a; b++)
            assert_true(seeds[a] != seeds[b]);
    }
}

/* --- the parser --- */

static int parse(const char *text, struct hf_mix *ret_mix, struct hf_error *error)
{
    return hf_mix_parse(text, strlen(text), "evening.json", ret_mix, error);
}

static void test_parse(void **unused)
{
    static const char text[] =
        "{\"name\": \"evening\", \"slice_low_s\": 1, \"slice_high_s\": 3, \"entries\": ["
        "{\"kernel\": \"fma-residue\", \"weight\": 2},"
        "{\"kernel\": \"fma-residue\", \"width_bits\": 256, \"pattern\": \"square\", \"sync\": \"antiphase\","
        " \"period_us\": 1.5, \"period_high_us\": 100, \"duty\": 0.25, \"weight\": 3},"
        "{\"kernel\": \"wide-multiply\", \"pattern\": \"square\", \"period_us\": 0.1, \"weight\": 1},"
        "{\"kernel\": \"fma-residue\", \"pattern\": \"solo-then-all\", \"solo_kernel\": \"branch\", "
        "\"weight\": 0.5}]}";
    struct hf_error error = {0};
    struct hf_mix mix;

    (void)unused;
    if (parse(text, &mix, &error) != HF_OK)
        fail_msg("%s", error.message);
    assert_string_equal(mix.name, "evening");
    assert_int_equal(mix.entry_count, 4);
    assert_true(mix.slice_low_s == 1 && mix.slice_high_s == 3);
    assert_int_equal(mix.entry[0].pattern, HF_PATTERN_STEADY);
    assert_int_equal(mix.entry[0].sync, HF_SYNC_FREE);
    assert_int_equal(mix.entry[1].width_bits, 256);
    assert_int_equal(mix.entry[1].sync, HF_SYNC_ANTIPHASE);
    assert_true(fabs(mix.entry[1].period_s - 1.5e-6) < 1e-15 &&
                fabs(mix.entry[1].period_high_s - 1e-4) < 1e-15);
    assert_true(mix.entry[1].duty == 0.25);
    assert_true(mix.entry[2].duty == 0.5 && mix.entry[2].period_high_s == mix.entry[2].period_s);
    assert_int_equal(mix.entry[2].sync, HF_SYNC_ALL);
    assert_string_equal(mix.entry[3].solo_kernel, "branch");
    assert_int_equal(mix.entry[3].sync, HF_SYNC_ALL);
}

struct bad {
    const char *text;
    int code;
    const char *words; /* that the message holds, besides the file */
};

#define ENTRY(inside)                                                                                        \
    "{\"name\": \"e\", \"entries\": [{\"kernel\": \"branch\", \"weight\": 1}, {" inside "}]}"

static void test_parse_refuses(void **unused)
{
    static const struct bad bad[] = {
        {"", HF_E_INPUT, "empty"},
        {"[]", HF_E_INPUT, "object"},
        {"{\"name\": \"e\"}", HF_E_INPUT, "entries: missing"},
        {"{\"name\": \"e\", \"entries\": []}", HF_E_RANGE, "1 to 64"},
        {"{\"name\": \"\", \"entries\": [{\"kernel\": \"branch\", \"weight\": 1}]}", HF_E_INPUT, "name"},
        {"{\"name\": \"e\", \"colour\": 1, \"entries\": [{\"kernel\": \"branch\", \"weight\": 1}]}",
         HF_E_INPUT, "unknown key \"colour\""},
        {"{\"name\": \"e\", \"name\": \"f\", \"entries\": [{\"kernel\": \"branch\", \"weight\": 1}]}",
         HF_E_INPUT, "twice"},
        {"{\"name\": \"e\", \"slice_low_s\": 0.01, \"entries\": [{\"kernel\": \"branch\", \"weight\": 1}]}",
         HF_E_RANGE, "0.1 to 60"},
        {"{\"name\": \"e\", \"slice_low_s\": 3, \"slice_high_s\": 2, \"entries\": []}", HF_E_RANGE,
         "3 to 60"},
        {"{\"name\": \"e\", \"entries\": [7]}", HF_E_INPUT, "entries[0]: must be an object"},
        {ENTRY("\"weight\": 1"), HF_E_INPUT, "entries[1].kernel: missing"},
        {ENTRY("\"kernel\": \"matrix\", \"weight\": 1"), HF_E_INPUT,
         "there are: fma-residue, wide-multiply, branch"},
        {ENTRY("\"kernel\": 5, \"weight\": 1"), HF_E_INPUT, "entries[1].kernel: must be a string"},
        {ENTRY("\"kernel\": \"branch\""), HF_E_INPUT, "entries[1].weight: missing"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 0"), HF_E_RANGE, "entries[1].weight"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": \"1\""), HF_E_INPUT, "number"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"width_bits\": 512"), HF_E_RANGE,
         "branch has: 0, 64"},
        {ENTRY("\"kernel\": \"fma-residue\", \"weight\": 1, \"width_bits\": 100"), HF_E_RANGE,
         "0, 128, 256, 512"},
        {ENTRY("\"kernel\": \"fma-residue\", \"weight\": 1, \"width_bits\": 1.5"), HF_E_INPUT,
         "whole number"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"pattern\": \"wave\""), HF_E_INPUT,
         "steady, square, solo-then-all"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"sync\": \"all\""), HF_E_INPUT,
         "sync: means nothing"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"period_us\": 3"), HF_E_INPUT,
         "period_us: means nothing"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"pattern\": \"square\""), HF_E_INPUT,
         "period_us: missing"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"pattern\": \"square\", \"period_us\": 0.05"),
         HF_E_RANGE, "0.1 to 60000000"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"pattern\": \"square\", \"period_us\": 5, "
               "\"period_high_us\": 4"),
         HF_E_RANGE, "5 to 60000000"},
        {ENTRY(
             "\"kernel\": \"branch\", \"weight\": 1, \"pattern\": \"square\", \"period_us\": 5, \"duty\": 0"),
         HF_E_RANGE, "0.01 to 1"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"pattern\": \"square\", \"period_us\": 5, "
               "\"sync\": \"some\""),
         HF_E_INPUT, "free, group, all, antiphase, dither"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"pattern\": \"square\", \"period_us\": 5, "
               "\"solo_kernel\": \"branch\""),
         HF_E_INPUT, "solo_kernel: means nothing"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"pattern\": \"solo-then-all\""), HF_E_INPUT,
         "solo_kernel: missing"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"Pattern\": \"steady\""), HF_E_INPUT, "unknown key"},
        {"{\"name\": \"a name that is much longer than thirty-one bytes\", \"entries\": []}", HF_E_RANGE,
         "31 bytes"},
    };

    (void)unused;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct hf_error error = {0};
        struct hf_mix mix = {.name = "untouched"};
        int code = parse(bad[i].text, &mix, &error);

        if (code != bad[i].code || strstr(error.message, bad[i].words) == NULL ||
            strstr(error.message, "evening.json") == NULL)
            fail_msg("%s\n  gave %d: %s\n  expected %d: %s", bad[i].text, code, error.message, bad[i].code,
                     bad[i].words);
        assert_string_equal(mix.name, "untouched");
    }
}

static void test_parse_size(void **unused)
{
    static char text[HF_MIX_BYTES_MAX + 1];
    struct hf_error error = {0};
    struct hf_mix mix;

    (void)unused;
    memset(text, ' ', sizeof text);
    assert_int_equal(hf_mix_parse(text, sizeof text, "evening.json", &mix, &error), HF_E_RANGE);
}

/* A width that does not run here gives way, under the same entry. */
static void test_width_gives_way(void **unused)
{
    struct hf_mix mix = builtin_of("night");

    (void)unused;
    for (uint64_t n = 0; n < 200; n++) {
        struct hf_slice slice;

        hf_mix_slice(&mix, 1, n, &slice);
        assert_string_equal(hf_kernel_at(slice.kernel)->name, mix.entry[slice.entry].kernel);
        assert_true(hf_kernel_is_native(slice.kernel) ||
                    slice.kernel == hf_kernel_index(mix.entry[slice.entry].kernel, 0));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_builtin),
        cmocka_unit_test(test_night_shares),
        cmocka_unit_test(test_slice_is_pure),
        cmocka_unit_test(test_slice_statistics),
        cmocka_unit_test(test_length_and_period),
        cmocka_unit_test(test_block_seeds_differ),
        cmocka_unit_test(test_parse),
        cmocka_unit_test(test_parse_refuses),
        cmocka_unit_test(test_parse_size),
        cmocka_unit_test(test_width_gives_way),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
