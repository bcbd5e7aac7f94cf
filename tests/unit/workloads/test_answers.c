/* The store of answers: kept, bounded, checked, worked out anew when in doubt. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "holdfast/random.h"
#include "workloads/answers.h"

#define SEED UINT64_C(20261125)

static int calls;
static int wrong_calls; /* so many of the next workings are wrong, each in another way */
static int words_wanted;

static void compute(const uint64_t parameter[HF_ANSWER_PARAMETERS], uint64_t *ret_words)
{
    calls++;
    for (int i = 0; i < words_wanted; i++)
        ret_words[i] = hf_mix64(parameter[0] ^ parameter[1] << 20 ^ (uint64_t)i << 40);
    if (wrong_calls > 0)
        ret_words[wrong_calls-- % words_wanted] ^= 4;
}

/* The word of an answer, without the store. */
static uint64_t right(uint64_t first, uint64_t second, int i)
{
    return hf_mix64(first ^ second << 20 ^ (uint64_t)i << 40);
}

static void check(uint64_t first, uint64_t second, int words)
{
    const struct hf_answer_key key = {compute, {first, second}};
    static uint64_t got[HF_ANSWERS_WORDS / 2 + 1];

    words_wanted = words;
    got[words] = 77;
    hf_answer_get(&key, words, got);
    for (int i = 0; i < words; i++)
        assert_true(got[i] == right(first, second, i));
    assert_true(got[words] == 77);
}

static int begin(void **unused)
{
    (void)unused;
    hf_answers_drop();
    calls = wrong_calls = 0;
    return 0;
}

static void test_worked_out_once(void **unused)
{
    (void)unused;
    for (int turn = 0; turn < 5; turn++) {
        for (uint64_t first = 0; first < 20; first++)
            check(first, 3, 10);
    }
    assert_int_equal(calls, 2 * 20); /* twice each */
    hf_answers_drop();
    check(0, 3, 10);
    assert_int_equal(calls, 2 * 21);
}

/* Many answers of many lengths: whatever has had to go, each is right. */
static void test_bounded(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 1);
    for (int i = 0; i < 20000; i++) {
        uint64_t first = hf_random_below(&random, 400);

        check(first, i < 10000 ? 1 : 2, 1 + (int)(first * first % 3000));
    }
    check(1, 9, HF_ANSWERS_WORDS / 2);
    check(2, 9, HF_ANSWERS_WORDS / 2);
    check(3, 9, HF_ANSWERS_WORDS / 2);
    assert_true(hf_answers_doubts().disagreed == 0 && hf_answers_doubts().damaged == 0);
}

static void test_newest_stay(void **unused)
{
    (void)unused;
    for (uint64_t first = 0; first < 5 * HF_ANSWERS_MAX; first++)
        check(first, 0, 3);
    calls = 0;
    for (uint64_t first = 4 * HF_ANSWERS_MAX; first < 5 * HF_ANSWERS_MAX; first++)
        check(first, 0, 3);
    assert_int_equal(calls, 0);
    check(0, 0, 3);
    assert_int_equal(calls, 2);
}

/* Any one wrong bit of a kept answer is noticed, and put right. */
static void test_damage(void **unused)
{
    const struct hf_answer_key key = {compute, {5, 6}};
    struct hf_answers_doubts before = hf_answers_doubts();

    (void)unused;
    assert_int_equal(hf_answers_damage(&key, 0), 0); /* not kept */
    for (uint64_t bit = 0; bit < 64 * 12; bit++) {
        check(5, 6, 12);
        assert_int_equal(hf_answers_damage(&key, bit), 1);
        check(5, 6, 12);
        check(5, 6, 12);
    }
    assert_true(hf_answers_doubts().damaged == before.damaged + 64 * 12);
    assert_true(hf_answers_doubts().worked == before.worked + 64 * 12 + 1);
}

/* A wrong working is not believed: two in a row must agree. */
static void test_disagreement(void **unused)
{
    struct hf_answers_doubts before = hf_answers_doubts();

    (void)unused;
    for (int wrong = 1; wrong <= 4; wrong++) {
        wrong_calls = wrong;
        check(100, (uint64_t)wrong, 7);
        assert_int_equal(wrong_calls, 0);
        calls = 0;
        check(100, (uint64_t)wrong, 7); /* kept */
        assert_int_equal(calls, 0);
    }
    assert_true(hf_answers_doubts().disagreed == before.disagreed + 1 + 2 + 3 + 4);
}

/* What never agrees is given back and not kept. */
static void test_never_agreed(void **unused)
{
    const struct hf_answer_key key = {compute, {200, 1}};
    uint64_t got[7];

    (void)unused;
    words_wanted = 7;
    wrong_calls = 1000;
    hf_answer_get(&key, 7, got);
    assert_int_equal(hf_answers_damage(&key, 0), 0);
    wrong_calls = 0;
    check(200, 1, 7);
}

/* Answers may ask for others. */
static void nested(const uint64_t parameter[HF_ANSWER_PARAMETERS], uint64_t *ret_words)
{
    const struct hf_answer_key key = {compute, {parameter[0], 7}};

    words_wanted = 9;
    hf_answer_get(&key, 9, ret_words);
    for (int i = 0; i < 9; i++)
        ret_words[i]++;
}

static void test_nested(void **unused)
{
    (void)unused;
    for (int turn = 0; turn < 2; turn++) {
        for (uint64_t first = 0; first < 300; first++) {
            const struct hf_answer_key key = {nested, {first}};
            uint64_t got[9];

            hf_answer_get(&key, 9, got);
            for (int i = 0; i < 9; i++)
                assert_true(got[i] == right(first, 7, i) + 1);
        }
    }
}

/* Every variant is met, about equally often. */
static void test_variants(void **unused)
{
    int count[HF_ANSWER_VARIANTS] = {0};

    (void)unused;
    for (uint64_t seed = 0; seed < 16000; seed++) {
        assert_true(hf_answer_variant(seed) < HF_ANSWER_VARIANTS);
        count[hf_answer_variant(seed)]++;
    }
    for (int i = 0; i < HF_ANSWER_VARIANTS; i++)
        assert_true(count[i] > 800 && count[i] < 1200); /* 1000, give or take six standard deviations */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(test_worked_out_once, begin), cmocka_unit_test_setup(test_bounded, begin),
        cmocka_unit_test_setup(test_newest_stay, begin),     cmocka_unit_test_setup(test_damage, begin),
        cmocka_unit_test_setup(test_disagreement, begin),    cmocka_unit_test_setup(test_never_agreed, begin),
        cmocka_unit_test_setup(test_nested, begin),          cmocka_unit_test_setup(test_variants, begin),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
