/*
 * Folded blocks of fma-residue and fma-single: a wrong quotient that leaves the residue right is seen.
 *
 * What such an error does is planted between two bursts: the quotient of one lane is wrong by d where it is
 * subtracted (the lane is off by d p), or in the running sum as well (its sum is off by d, too).
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "holdfast/kernel.h"
#include "holdfast/random.h"
#include "workloads/kernels/fma_residue.h"
#include "workloads/kernels/fma_single.h"

#define SEED   UINT64_C(20261126)
#define TRIALS 10000

struct subject {
    const char *name;
    int width_bits;
    const struct hf_residue_shape *shape;
};

static const struct subject subjects[] = {
    {"fma-residue", 128, &hf_fma_residue_shape_128}, {"fma-residue", 256, &hf_fma_residue_shape_256},
    {"fma-residue", 512, &hf_fma_residue_shape_512}, {"fma-single", 128, &hf_fma_single_shape_128},
    {"fma-single", 256, &hf_fma_single_shape_256},   {"fma-single", 512, &hf_fma_single_shape_512},
};

#define SUBJECTS ((int)(sizeof subjects / sizeof subjects[0]))

static _Alignas(64) unsigned char room[16384];

/* The folded entry of a subject, NULL where only plain C runs here. */
static const struct hf_kernel *folded_of(const struct subject *subject)
{
    return hf_kernel_find(subject->name, subject->width_bits)->folded;
}

static int is_single(const struct subject *subject)
{
    return subject->shape->field->mantissa_bits == 24;
}

static double lane_get(const struct subject *subject, const struct hf_residue_state *state, int lane)
{
    return is_single(subject) ? (double)((const float *)(const void *)state->lane)[lane] : state->lane[lane];
}

static void lane_set(const struct subject *subject, struct hf_residue_state *state, int lane, double x)
{
    if (is_single(subject))
        ((float *)(void *)state->lane)[lane] = (float)x;
    else
        state->lane[lane] = x;
}

/* As an A that is wrong at the last step did: the sum of sums has it once. */
static void sum_add(const struct subject *subject, struct hf_residue_state *state, int lane, int64_t wrong)
{
    int word = lane % subject->shape->vector_lanes;

    if (is_single(subject)) {
        ((uint32_t *)(void *)state->sum)[word] += (uint32_t)wrong;
        ((uint32_t *)(void *)state->sum_of_sums)[word] += (uint32_t)wrong;
    } else {
        state->sum[word] += (uint64_t)wrong;
        state->sum_of_sums[word] += (uint64_t)wrong;
    }
}

static uint64_t prime_of(const struct subject *subject, const struct hf_residue_state *state)
{
    return state->mode ? subject->shape->field->folded_prime : subject->shape->field->prime;
}

/* The lane's residue is what the closed form says, in either kind of block. */
static int residue_is_right(const struct subject *subject, const struct hf_residue_state *state,
                            const struct hf_residue_begin *begin, int lane, uint64_t steps)
{
    int64_t prime = (int64_t)begin->prime;
    int64_t x = (int64_t)lane_get(subject, state, lane);
    uint64_t c = (uint64_t)((begin->multiplier + prime) % prime);
    uint64_t x0 = (uint64_t)((begin->lane[lane] + prime) % prime);
    uint64_t expected = hf_multiply_mod(x0, hf_power_mod(c, steps, begin->prime), begin->prime);

    return (uint64_t)((x % prime + prime) % prime) == expected;
}

struct outcome {
    int residues_right;
    int digests_wrong;
};

/* One trial: d at a random step and lane, then at least `after` more steps. */
static void trial(const struct subject *subject, const struct hf_kernel *kernel, enum hf_residue_kind kind,
                  struct hf_random *random, int64_t wrong, uint64_t after, struct outcome *outcome)
{
    struct hf_residue_state *state = (void *)room;
    struct hf_residue_begin begin;
    enum hf_operands operands = (enum hf_operands)hf_random_below(random, HF_OPERANDS_COUNT);
    uint64_t seed = hf_random_u64(random);
    uint64_t before = 1 + hf_random_below(random, 300);
    int lane = (int)hf_random_below(random, (uint64_t)subject->shape->lanes);
    int in_sum = hf_random_below(random, 2) != 0;

    while (kind == HF_RESIDUE_BY_SEED && hf_residue_is_folded(seed))
        seed = hf_random_u64(random); /* a plain block is wanted */
    hf_residue_begin(subject->shape, kind, operands, seed, &begin);
    kernel->start(state, operands, seed);
    kernel->advance(state, before);
    lane_set(subject, state, lane,
             lane_get(subject, state, lane) - (double)wrong * (double)prime_of(subject, state));
    if (in_sum && state->mode)
        sum_add(subject, state, lane, wrong);
    kernel->advance(state, after);
    outcome->residues_right += residue_is_right(subject, state, &begin, lane, before + after);
    outcome->digests_wrong += kernel->digest(state) != kernel->expect(operands, seed, before + after);
}

/* The trap closed: the residue is right, the digest of a folded block is wrong, every time. In plain blocks
 * the same error is not seen: this is what folded blocks are for. */
static void test_wrong_by_one(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 1);
    for (int s = 0; s < SUBJECTS; s++) {
        const struct hf_kernel *folded = folded_of(&subjects[s]);
        struct outcome seen = {0, 0};
        struct outcome missed = {0, 0};

        if (folded == NULL)
            continue;
        for (int i = 0; i < TRIALS; i++)
            trial(&subjects[s], folded, HF_RESIDUE_FOLDED, &random, i % 2 ? 1 : -1,
                  i % 5 == 0 ? 0 : 1 + hf_random_below(&random, 300), &seen);
        for (int i = 0; i < TRIALS / 10; i++)
            trial(&subjects[s], hf_kernel_find(subjects[s].name, subjects[s].width_bits), HF_RESIDUE_BY_SEED,
                  &random, i % 2 ? 1 : -1, 2 + hf_random_below(&random, 300), &missed);
        if (seen.residues_right != TRIALS || seen.digests_wrong != TRIALS)
            fail_msg("%s %d: residues right %d, digests wrong %d of %d", subjects[s].name,
                     subjects[s].width_bits, seen.residues_right, seen.digests_wrong, TRIALS);
        assert_int_equal(missed.residues_right, TRIALS / 10);
        assert_int_equal(missed.digests_wrong, 0);
    }
}

/* Wrong by more: as far as the numbers stay exact. */
static void test_wrong_by_a_few(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 2);
    for (int s = 0; s < SUBJECTS; s++) {
        const struct hf_kernel *folded = folded_of(&subjects[s]);
        struct outcome seen = {0, 0};

        if (folded == NULL)
            continue;
        for (int i = 0; i < 2000; i++)
            trial(&subjects[s], folded, HF_RESIDUE_FOLDED, &random, i % 2 ? 2 + i % 6 : -2 - i % 6,
                  hf_random_below(&random, 50), &seen);
        assert_int_equal(seen.digests_wrong, 2000);
    }
}

/* Every entry against the reference in folded blocks, at lengths around whole periods. */
static void test_folded_against_reference(void **unused)
{
    static const uint64_t lengths[] = {0, 1, 2, 5, 29, 30, 31, 32, 61, 62, 63, 93, 94, 1000, 3100, 12345};
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 3);
    for (int s = 0; s < SUBJECTS; s++) {
        const struct hf_kernel *entries[] = {hf_kernel_find(subjects[s].name, subjects[s].width_bits),
                                             hf_kernel_reference(subjects[s].name, subjects[s].width_bits)};

        for (unsigned i = 0; i < sizeof lengths / sizeof lengths[0]; i++) {
            enum hf_operands operands = (enum hf_operands)(i % HF_OPERANDS_COUNT);
            uint64_t seed = hf_random_u64(&random);

            while (!hf_residue_is_folded(seed))
                seed = hf_random_u64(&random);
            for (int e = 0; e < 2; e++) {
                entries[e]->start(room, operands, seed);
                entries[e]->advance(room, lengths[i]);
                assert_true(entries[e]->digest(room) == entries[e]->expect(operands, seed, lengths[i]));
            }
        }
    }
}

/* Every bit of the state in either kind of block, of entry and reference. */
static void check_bits(const struct hf_kernel *kernel, enum hf_operands operands, uint64_t seed)
{
    static _Alignas(64) unsigned char damaged[sizeof room];
    uint64_t steps = 3 + seed % 130;

    kernel->start(room, operands, seed);
    kernel->advance(room, steps);
    for (uint64_t bit = 0; bit < kernel->live_bits; bit++) {
        struct hf_lane_report report;
        uint64_t after = bit % 3;

        memcpy(damaged, room, kernel->state_bytes);
        kernel->plant(damaged, bit);
        kernel->advance(damaged, after);
        kernel->locate(damaged, operands, seed, steps + after, &report);
        if (kernel->digest(damaged) == kernel->expect(operands, seed, steps + after) || report.lane < 0)
            fail_msg("%s %d %s: bit %llu, seed %llu", kernel->name, kernel->width_bits, kernel->isa,
                     (unsigned long long)bit, (unsigned long long)seed);
    }
}

static void test_every_bit(void **unused)
{
    uint64_t plain = 1, folded = 1;

    (void)unused;
    while (hf_residue_is_folded(plain))
        plain++;
    while (!hf_residue_is_folded(folded))
        folded++;
    for (int s = 0; s < SUBJECTS; s++) {
        enum hf_operands operands = (enum hf_operands)(s % HF_OPERANDS_COUNT);

        check_bits(hf_kernel_find(subjects[s].name, subjects[s].width_bits), operands, plain);
        check_bits(hf_kernel_find(subjects[s].name, subjects[s].width_bits), operands, folded);
        check_bits(hf_kernel_reference(subjects[s].name, subjects[s].width_bits), operands, plain);
        check_bits(hf_kernel_reference(subjects[s].name, subjects[s].width_bits), operands, folded);
    }
}

/* One block of four, and what bench measures as plain is plain. */
static void test_share_of_folded(void **unused)
{
    int folded = 0;

    (void)unused;
    for (uint64_t seed = 0; seed < 40000; seed++)
        folded += hf_residue_is_folded(seed);
    assert_in_range(folded, 9600, 10400);  /* 4.6 standard deviations */
    assert_false(hf_residue_is_folded(1)); /* hf_kernel_measure() starts from seed 1 */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_wrong_by_one),
        cmocka_unit_test(test_wrong_by_a_few),
        cmocka_unit_test(test_folded_against_reference),
        cmocka_unit_test(test_every_bit),
        cmocka_unit_test(test_share_of_folded),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
