/* Steered chains: the round trip, every live bit of every kernel of that kind, and what must not be masked.
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
#include "workloads/answers.h"
#include "workloads/kernels/steered.h"

#define SEED UINT64_C(20261125)
#define ROOM (64 + 8 * (HF_STEERED_WORDS_MAX + 8))

static const char *const names[] = {
    "vector-integer", "packed-multiply", "cipher", "key-schedule", "carry-less", "hash", "crc"};

static _Alignas(64) unsigned char memory[ROOM], other[ROOM];
static struct hf_steered_state *const state = (void *)memory;

/* Checks of all bits take a while under sanitizers: some of them will do there. */
#if defined(HOLDFAST_SANITIZED)
#define BIT_STRIDE   13
#define PLANTS_TRIED 200
#else
#define BIT_STRIDE   1
#define PLANTS_TRIED 1000
#endif

static void each_entry(void (*check)(const struct hf_kernel *kernel))
{
    int met = 0;

    for (int i = 0; i < hf_kernel_count(); i++) {
        for (size_t n = 0; n < sizeof names / sizeof names[0]; n++) {
            const struct hf_kernel *entries[HF_KERNEL_ENTRIES_MAX];
            int count = strcmp(hf_kernel_at(i)->name, names[n]) == 0 ? hf_kernel_entries(i, entries) : 0;

            met |= count > 0 ? 1 << n : 0;
            for (int e = 0; e < count; e++)
                check(entries[e]);
        }
    }
    assert_int_equal(met, (1 << sizeof names / sizeof names[0]) - 1);
}

/* Every live bit is in the digest. */
static void check_every_bit(const struct hf_kernel *kernel)
{
    enum hf_operands operands = (enum hf_operands)(kernel->live_bits / 64 % HF_OPERANDS_COUNT);
    uint64_t right;

    assert_true(kernel->state_bytes <= ROOM);
    kernel->start(memory, operands, SEED);
    kernel->advance(memory, 5);
    right = kernel->expect(operands, SEED, 5);
    assert_true(kernel->digest(memory) == right);
    for (uint64_t bit = 0; bit < kernel->live_bits; bit += BIT_STRIDE) {
        kernel->plant(memory, bit);
        if (kernel->digest(memory) == right)
            fail_msg("%s %d %s: bit %llu", kernel->name, kernel->width_bits, kernel->isa,
                     (unsigned long long)bit);
        kernel->plant(memory, bit);
    }
    assert_true(kernel->digest(memory) == right);
}

static void test_every_bit_is_in_the_digest(void **unused)
{
    (void)unused;
    each_entry(check_every_bit);
}

/* Every bit of the moving words, and some of all, is still wrong hundreds of steps later, and located. */
static void check_not_forgotten(const struct hf_kernel *kernel)
{
    struct hf_random random;

    hf_random_init(&random, SEED, kernel->live_bits);
    for (int i = 0; i < PLANTS_TRIED; i++) {
        enum hf_operands operands = (enum hf_operands)(i % HF_OPERANDS_COUNT);
        uint64_t steps = hf_random_below(&random, strcmp(kernel->isa, "reference") == 0 ? 12 : 300);
        uint64_t bit = hf_random_below(&random, i % 2 ? kernel->live_bits : kernel->live_bits / 8);
        struct hf_lane_report report;

        kernel->start(memory, operands, SEED + (uint64_t)i);
        kernel->advance(memory, 3);
        kernel->plant(memory, bit);
        kernel->advance(memory, steps);
        kernel->locate(memory, operands, SEED + (uint64_t)i, 3 + steps, &report);
        if (kernel->digest(memory) == kernel->expect(operands, SEED + (uint64_t)i, 3 + steps) ||
            report.lane < 0)
            fail_msg("%s %d %s: bit %llu, %llu steps", kernel->name, kernel->width_bits, kernel->isa,
                     (unsigned long long)bit, (unsigned long long)steps);
    }
}

static void test_not_forgotten(void **unused)
{
    (void)unused;
    each_entry(check_not_forgotten);
}

/* The moving words go around: the same after four steps, others in between; the position goes on. */
static void check_round_trip(const struct hf_kernel *kernel)
{
    size_t moving = 0;

    for (int operands = 0; operands < HF_OPERANDS_COUNT; operands++) {
        kernel->start(memory, (enum hf_operands)operands, SEED);
        memcpy(other, memory, kernel->state_bytes);
        for (int step = 1; step < HF_STEERED_STATIONS; step++) {
            kernel->advance(memory, 1);
            assert_true(memcmp(memory + 64, other + 64, 64) != 0);
        }
        kernel->advance(memory, 1);
        moving = kernel->state_bytes - 64;
        assert_memory_equal(memory + 64, other + 64, moving);
        assert_true(state->position ==
                    ((struct hf_steered_state *)(void *)other)->position + HF_STEERED_STATIONS);
        assert_true(state->flaw == 0);
    }
}

static void test_round_trip(void **unused)
{
    (void)unused;
    each_entry(check_round_trip);
}

/* Steps taken twice, left out, or with stale words: each must show, though all words of the state are proper
 * ones. */
static void check_order(const struct hf_kernel *kernel)
{
    for (uint64_t wrong = 4; wrong <= 10; wrong++) {
        if (wrong == 7)
            continue;
        kernel->start(memory, HF_OPERANDS_FULL, SEED);
        kernel->advance(memory, wrong);
        assert_true(kernel->digest(memory) != kernel->expect(HF_OPERANDS_FULL, SEED, 7));
    }
    kernel->start(memory, HF_OPERANDS_FULL, SEED);
    kernel->advance(memory, 6);
    memcpy(other, memory, kernel->state_bytes);
    kernel->advance(memory, 1);
    memcpy(memory + 64, other + 64,
           kernel->state_bytes - 64); /* the results of the last step never arrived */
    assert_true(kernel->digest(memory) != kernel->expect(HF_OPERANDS_FULL, SEED, 7));
}

static void test_order_of_steps(void **unused)
{
    (void)unused;
    each_entry(check_order);
}

/* Variants: different tables for different seeds, all of them right. */
static void check_variants(const struct hf_kernel *kernel)
{
    uint64_t seen[HF_ANSWER_VARIANTS] = {0};
    int found = 0;

    for (uint64_t seed = 0; seed < 200; seed++) {
        uint64_t variant = hf_answer_variant(seed);

        kernel->start(memory, HF_OPERANDS_FULL, seed);
        kernel->advance(memory, 3);
        assert_true(kernel->digest(memory) == kernel->expect(HF_OPERANDS_FULL, seed, 3));
        found += seen[variant] == 0;
        seen[variant] = 1;
    }
    assert_int_equal(found, HF_ANSWER_VARIANTS);
}

static void test_variants(void **unused)
{
    (void)unused;
    each_entry(check_variants);
}

/* Operands: what the sets promise, and that they differ. */
static void test_operands(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 2);
    for (int i = 0; i < 10000; i++) {
        uint64_t word = hf_random_u64(&random);
        uint64_t sparse = hf_steered_operand(HF_OPERANDS_SPARSE, word);
        uint64_t carry = hf_steered_operand(HF_OPERANDS_CARRY, word);

        assert_true(hf_steered_operand(HF_OPERANDS_FULL, word) == word);
        assert_true((hf_steered_operand(HF_OPERANDS_BOUNDED, word) & ~UINT64_C(0x000000ff000000ff)) == 0);
        assert_int_equal(__builtin_popcountll(sparse), 2);
        assert_true((sparse >> 32) != 0 && (uint32_t)sparse != 0);
        assert_true(__builtin_popcountll(carry) >= 54);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_bit_is_in_the_digest),
        cmocka_unit_test(test_not_forgotten),
        cmocka_unit_test(test_round_trip),
        cmocka_unit_test(test_order_of_steps),
        cmocka_unit_test(test_variants),
        cmocka_unit_test(test_operands),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
