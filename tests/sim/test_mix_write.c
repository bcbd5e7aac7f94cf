/* A mix that is written is read back as itself: every embedded mix, and single entries of it. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <string.h>

#include "holdfast/mix.h"

static void check_entry(const struct hf_mix_entry *got, const struct hf_mix_entry *expected)
{
    assert_string_equal(got->kernel, expected->kernel);
    assert_string_equal(got->solo_kernel, expected->solo_kernel);
    assert_string_equal(got->stream_kernel, expected->stream_kernel);
    assert_int_equal(got->width_bits, expected->width_bits);
    assert_int_equal(got->pattern, expected->pattern);
    assert_int_equal(got->sync, expected->sync);
    assert_true(fabs(got->period_s - expected->period_s) <= 1e-15 + 1e-12 * expected->period_s);
    if (expected->period_s > 0)
        assert_true(fabs(got->period_high_s - fmax(expected->period_s, expected->period_high_s)) <=
                    1e-15 + 1e-12 * expected->period_high_s);
    assert_true(expected->period_s <= 0 || got->duty == expected->duty);
    assert_true(got->weight == expected->weight);
}

static void check_round_trip(const struct hf_mix *mix)
{
    struct hf_error error = {0};
    struct hf_text text;
    struct hf_mix back;

    hf_text_init(&text, HF_MIX_BYTES_MAX);
    hf_mix_write(mix, &text);
    if (hf_mix_parse(text.bytes, text.size, "written", &back, &error) != HF_OK)
        fail_msg("%s\n%s", error.message, text.bytes);
    assert_string_equal(back.name, mix->name);
    assert_int_equal(back.entry_count, mix->entry_count);
    assert_true(back.slice_low_s == mix->slice_low_s && back.slice_high_s == mix->slice_high_s);
    for (int i = 0; i < mix->entry_count; i++)
        check_entry(&back.entry[i], &mix->entry[i]);
    hf_text_release(&text);
}

static void test_every_mix(void **state)
{
    (void)state;
    assert_true(hf_mix_builtin_count() >= 3);
    for (int i = 0; i < hf_mix_builtin_count(); i++)
        check_round_trip(hf_mix_builtin_at(i));
}

static void test_single_entries(void **state)
{
    (void)state;
    for (int i = 0; i < hf_mix_builtin_count(); i++) {
        const struct hf_mix *whole = hf_mix_builtin_at(i);

        for (int k = 0; k < whole->entry_count; k++) {
            struct hf_mix one = *whole;

            memset(one.entry, 0, sizeof one.entry);
            one.entry[0] = whole->entry[k];
            one.entry_count = 1;
            check_round_trip(&one);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_every_mix),
                                       cmocka_unit_test(test_single_entries)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
