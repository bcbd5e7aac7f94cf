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

static const char *const builtin_names[] = {
    "quick", "screen", "night", "memory", "sweep-first", "sweep-second", "sweep-third", "regulator", "swing"};
#define BUILTINS ((int)(sizeof builtin_names / sizeof builtin_names[0]))

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

/* The sum of what is proportional to the number of slices. */
static double total_slices(const struct hf_mix *mix)
{
    double total = 0;

    for (int i = 0; i < mix->entry_count; i++)
        total += mix->entry[i].weight / hf_mix_entry_length_s(mix, &mix->entry[i]);
    return total;
}

static int has_period(const struct hf_mix_entry *entry)
{
    return entry->pattern == HF_PATTERN_SQUARE || entry->pattern == HF_PATTERN_TELEGRAPH ||
           entry->pattern == HF_PATTERN_SWING;
}

static void test_builtin(void **unused)
{
    struct hf_error error = {0};
    struct hf_mix mix;

    (void)unused;
    assert_int_equal(hf_mix_builtin_count(), BUILTINS);
    for (int i = 0; i < BUILTINS; i++) {
        mix = builtin_of(builtin_names[i]);
        assert_string_equal(mix.name, builtin_names[i]);
        assert_string_equal(hf_mix_builtin_at(i)->name, builtin_names[i]);
        assert_true(mix.slice_low_s > 0 && mix.slice_high_s >= mix.slice_low_s);
        for (int e = 0; e < mix.entry_count; e++) {
            const struct hf_mix_entry *entry = &mix.entry[e];

            assert_true(hf_kernel_index(entry->kernel, entry->width_bits) >= 0);
            assert_true(entry->weight > 0);
            assert_int_equal(entry->pattern == HF_PATTERN_SOLO_THEN_ALL, entry->solo_kernel[0] != '\0');
            assert_int_equal(has_period(entry), entry->duty > 0);
            assert_int_equal(has_period(entry), entry->period_s > 0);
            assert_true(entry->period_s < HF_SQUARE_PERIOD_LOW_S
                            ? !has_period(entry) || strcmp(entry->kernel, "pulse") == 0
                            : entry->period_high_s >= entry->period_s);
            assert_true(entry->stream_kernel[0] == '\0' || hf_kernel_index(entry->stream_kernel, 0) >= 0);
            assert_true(entry->company[0] == '\0' || hf_kernel_index(entry->company, 0) >= 0);
        }
        assert_true(mix.entry_count == HF_MIX_ENTRIES_MAX || mix.entry[mix.entry_count].weight == 0);
    }
    assert_int_equal(hf_mix_builtin("evening", &mix, &error), HF_E_NOT_FOUND);
    assert_non_null(strstr(error.message, "night"));
}

/* 45 : 20 : 20 : 15, and no kernel left out. */
static int night_class(const char *kernel)
{
    static const char *const words[4][7] = {
        {"fma-residue", "fma-single", "matrix", "pulse"},
        {"vector-integer", "packed-multiply", "cipher", "hash", "crc", "carry-less", "key-schedule"},
        {"chase-", "gather-", "copy-", "handoff-"},
        {"wide-multiply", "divide", "branch"}};

    for (int class = 0; class < 4; class ++) {
        for (int i = 0; i < 7 && words[class][i] != NULL; i++) {
            if (strncmp(kernel, words[class][i], strlen(words[class][i])) == 0)
                return class;
        }
    }
    fail_msg("the kernel %s has no share of the night: give it one", kernel);
    return -1;
}

static void test_night_shares(void **unused)
{
    static const double expected[4] = {45, 20, 20, 15};
    struct hf_mix mix = builtin_of("night");
    double share[4] = {0};
    int company = 0;

    (void)unused;
    for (int i = 0; i < mix.entry_count; i++) {
        share[night_class(mix.entry[i].kernel)] += mix.entry[i].weight;
        company += mix.entry[i].company[0] != '\0';
    }
    for (int class = 0; class < 4; class ++)
        assert_true(fabs(share[class] - expected[class]) < 1e-9);
    assert_true(company >= 3);
}

static void test_no_kernel_left_out(void **unused)
{
    static const char *const names[] = {"night", "screen"};

    (void)unused;
    for (int m = 0; m < 2; m++) {
        struct hf_mix mix = builtin_of(names[m]);
        int patterns[HF_PATTERN_COUNT] = {0};

        for (int i = 0; i < mix.entry_count; i++)
            patterns[mix.entry[i].pattern]++;
        for (int p = 0; p < HF_PATTERN_COUNT; p++)
            assert_true(patterns[p] > 0);
        for (int k = 0; k < hf_kernel_count(); k++) {
            int found = 0;

            for (int i = 0; i < mix.entry_count; i++)
                found |= strcmp(mix.entry[i].kernel, hf_kernel_at(k)->name) == 0;
            if (!found)
                fail_msg("the mix %s has no %s", names[m], hf_kernel_at(k)->name);
        }
    }
}

/* The periods that the sweeps are for, none left out: steps of at most 1.2 from 5 to 80 ns, and on to 0.7 us.
 */
static void test_first_sweep(void **unused)
{
    struct hf_mix mix = builtin_of("sweep-first");
    double reached = 5e-9;
    int steps = 0;

    (void)unused;
    for (int i = 0; i < mix.entry_count; i++) {
        const struct hf_mix_entry *entry = &mix.entry[i];

        if (entry->pattern != HF_PATTERN_SQUARE || entry->sync != HF_SYNC_ALL || entry->duty != 0.5)
            continue;
        assert_true(entry->period_s <= 1.2501 * reached);
        if (entry->period_high_s == entry->period_s) {
            assert_true(entry->period_s <= 1.2 * reached * 1.0000001 || steps == 0);
            steps++;
        }
        reached = entry->period_high_s;
    }
    assert_int_equal(steps, 17);
    assert_true(reached >= 700e-9 * 0.999);
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
    double total = total_slices(&mix);
    double spread = 0.35;
    double all_seconds = 0;

    memset(seconds, 0, sizeof seconds);
    memset(sets, 0, sizeof sets);
    memset(last, 0, sizeof last);
    for (uint64_t n = 0; n < SLICES; n++) {
        struct hf_slice slice;
        double share;

        hf_mix_slice(&mix, seed, n, &slice);
        share = mix.entry[slice.entry].weight / hf_mix_entry_length_s(&mix, &mix.entry[slice.entry]) / total;
        seconds[slice.entry] += slice.length_s;
        all_seconds += slice.length_s;
        sets[slice.entry][slice.operands]++;
        assert_true((double)(n - last[slice.entry]) <= 3 / share);
        last[slice.entry] = n;
        assert_true(slice.length_s >= mix.slice_low_s);
        if (slice.pattern == HF_PATTERN_SWING)
            assert_true(slice.length_s >= 2 * slice.period_s);
        else
            assert_true(slice.length_s <= mix.slice_high_s);
    }
    /* lengths are random: the share of entry e has the standard deviation below (sd of a uniform length over
     * its mean, at most 0.35 with slices of 0.5 to 2 s; swings go from a second to minutes) */
    for (int e = 0; e < mix.entry_count; e++)
        spread = mix.entry[e].pattern == HF_PATTERN_SWING && mix.entry[e].period_high_s > 1 ? 1.3 : spread;
    for (int e = 0; e < mix.entry_count; e++) {
        double share = mix.entry[e].weight / total_weight(&mix);
        double count = SLICES * mix.entry[e].weight / hf_mix_entry_length_s(&mix, &mix.entry[e]) / total;

        assert_true(fabs(seconds[e] / all_seconds - share) <
                    share * (5 * spread / sqrt(count) + 8 / count + 0.01));
        for (int set = 0; set < HF_OPERANDS_COUNT; set++)
            assert_true(fabs(sets[e][set] / count - 0.25) < 0.03);
    }
}

static void test_slice_statistics(void **unused)
{
    (void)unused;
    for (int i = 0; i < BUILTINS; i++) {
        for (uint64_t seed = 1; seed <= 2; seed++)
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
        if (!has_period(entry) || entry->period_high_s == entry->period_s)
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

/* Kinds of memory may meet in an entry, and one kind at one level, and company is elsewhere. */
static void test_parse_levels(void **unused)
{
    static const char text[] =
        "{\"name\": \"evening\", \"entries\": ["
        "{\"kernel\": \"copy-l2\", \"pattern\": \"solo-then-all\", \"solo_kernel\": \"chase-l1\", "
        "\"stream_kernel\": \"gather-memory\", \"company\": \"copy-memory\", \"weight\": 1},"
        "{\"kernel\": \"copy-l3\", \"width_bits\": 256, \"pattern\": \"solo-then-all\", "
        "\"solo_kernel\": \"branch\", \"stream_kernel\": \"copy-l3\", \"weight\": 1}]}";
    struct hf_error error = {0};
    struct hf_mix mix;

    (void)unused;
    if (parse(text, &mix, &error) != HF_OK)
        fail_msg("%s", error.message);
    assert_string_equal(mix.entry[0].company, "copy-memory");
    assert_string_equal(mix.entry[1].stream_kernel, "copy-l3");
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
        "\"stream_kernel\": \"wide-multiply\", \"weight\": 0.5},"
        "{\"kernel\": \"pulse\", \"pattern\": \"square\", \"period_us\": 0.005, \"weight\": 1},"
        "{\"kernel\": \"branch\", \"pattern\": \"telegraph\", \"period_us\": 0.06, \"period_high_us\": 2000, "
        "\"weight\": 1},"
        "{\"kernel\": \"branch\", \"pattern\": \"wake\", \"sync\": \"free\", \"weight\": 1},"
        "{\"kernel\": \"branch\", \"pattern\": \"swing\", \"period_us\": 2e5, \"duty\": 0.9, \"weight\": "
        "1}]}";
    struct hf_error error = {0};
    struct hf_mix mix;

    (void)unused;
    if (parse(text, &mix, &error) != HF_OK)
        fail_msg("%s", error.message);
    assert_string_equal(mix.name, "evening");
    assert_int_equal(mix.entry_count, 8);
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
    assert_string_equal(mix.entry[3].stream_kernel, "wide-multiply");
    assert_true(fabs(mix.entry[4].period_s - 5e-9) < 1e-18);
    assert_true(fabs(mix.entry[5].period_high_s - 2e-3) < 1e-12 && mix.entry[5].duty == 0.5);
    assert_int_equal(mix.entry[6].pattern, HF_PATTERN_WAKE);
    assert_int_equal(mix.entry[6].sync, HF_SYNC_FREE);
    assert_true(mix.entry[7].period_s > 0.1999 && mix.entry[7].duty == 0.9);
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
        {ENTRY("\"kernel\": \"weather\", \"weight\": 1"), HF_E_INPUT,
         "there are: fma-residue, wide-multiply, branch"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"pattern\": \"telegraph\""), HF_E_INPUT,
         "period_us: missing"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"pattern\": \"telegraph\", \"period_us\": 3000"),
         HF_E_RANGE, "0.06 to 2000"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"pattern\": \"swing\", \"period_us\": 1000"),
         HF_E_RANGE, "200000 to 60000000"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"pattern\": \"wake\", \"duty\": 0.5"), HF_E_INPUT,
         "duty: means nothing"},
        {ENTRY("\"kernel\": \"pulse\", \"weight\": 1, \"pattern\": \"square\", \"period_us\": 0.004"),
         HF_E_RANGE, "0.005 to 60000000"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"stream_kernel\": \"branch\""), HF_E_INPUT,
         "stream_kernel: means nothing"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"pattern\": \"solo-then-all\", \"solo_kernel\": "
               "\"branch\", "
               "\"stream_kernel\": \"brook\""),
         HF_E_INPUT, "stream_kernel"},
        {ENTRY("\"kernel\": \"copy-l2\", \"weight\": 1, \"pattern\": \"solo-then-all\", \"solo_kernel\": "
               "\"branch\", \"stream_kernel\": \"copy-memory\""),
         HF_E_INPUT, "stream_kernel: is copy-memory beside copy-l2"},
        {ENTRY("\"kernel\": \"chase-l1\", \"weight\": 1, \"pattern\": \"solo-then-all\", \"solo_kernel\": "
               "\"chase-l3\""),
         HF_E_INPUT, "solo_kernel: is chase-l3 beside chase-l1"},
        {ENTRY("\"kernel\": \"branch\", \"weight\": 1, \"pattern\": \"solo-then-all\", \"solo_kernel\": "
               "\"gather-l1\", \"stream_kernel\": \"gather-memory\""),
         HF_E_INPUT, "stream_kernel: is gather-memory beside gather-l1"},
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
        cmocka_unit_test(test_no_kernel_left_out),
        cmocka_unit_test(test_first_sweep),
        cmocka_unit_test(test_slice_is_pure),
        cmocka_unit_test(test_slice_statistics),
        cmocka_unit_test(test_length_and_period),
        cmocka_unit_test(test_block_seeds_differ),
        cmocka_unit_test(test_parse),
        cmocka_unit_test(test_parse_levels),
        cmocka_unit_test(test_parse_refuses),
        cmocka_unit_test(test_parse_size),
        cmocka_unit_test(test_width_gives_way),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
