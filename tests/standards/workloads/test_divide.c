/*
 * divide: published values of linear congruential generators, and the closed form against GMP (GNU Multiple
 * Precision Arithmetic Library) for lengths up to 2^40.
 */
#include <gmp.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#include "holdfast/kernel.h"
#include "holdfast/random.h"
#include "workloads/kernels/divide.h"

#define SEED    UINT64_C(19690101)
#define LENGTHS 1000

static _Alignas(64) struct hf_divide_state state;

static const struct hf_kernel *kernel_at(int reference)
{
    return reference ? hf_kernel_reference("divide", 64) : hf_kernel_find("divide", 64);
}

static void test_primes(void **unused)
{
    static const struct {
        uint64_t prime;
        unsigned bits, less;
    } primes[] = {{HF_DIVIDE_LONG_PRIME, 62, 57},
                  {HF_DIVIDE_SHORT_PRIME, 31, 1},
                  {HF_DIVIDE_DOUBLE_PRIME, 26, 5},
                  {HF_DIVIDE_EXTENDED_PRIME, 32, 5}};
    mpz_t p;

    (void)unused;
    mpz_init(p);
    for (int i = 0; i < 4; i++) {
        assert_true(primes[i].prime == (UINT64_C(1) << primes[i].bits) - primes[i].less);
        mpz_set_ui(p, primes[i].prime);
        assert_true(mpz_probab_prime_p(p, 40) > 0);
    }
    mpz_clear(p);
}

/* The 10,000th value from the seed 1 (C++ standard, [rand.predef]): minstd_rand0 and minstd_rand. */
static void test_generators(void **unused)
{
    static const uint64_t multipliers[] = {16807, 48271};
    static const uint64_t values[] = {1043618065, 399268537};

    (void)unused;
    assert_int_equal(10000 % HF_DIVIDE_TURNS, 0);
    for (int g = 0; g < 4; g++) {
        kernel_at(g / 2)->start(&state, HF_OPERANDS_BOUNDED, 1);
        assert_true(state.narrow_map.multiplier == 48271 && state.narrow_map.increment == 0);
        state.narrow_map.multiplier = multipliers[g % 2];
        for (int i = 0; i < HF_DIVIDE_SHORT; i++)
            state.narrow[i] = 1;
        kernel_at(g / 2)->advance(&state, 10000 / HF_DIVIDE_TURNS);
        for (int i = 0; i < HF_DIVIDE_SHORT; i++)
            assert_true(state.narrow[i] == values[g % 2]);
        assert_true(state.flaw == 0);
    }
}

/* a^n x + b (a^n - 1) / (a - 1) modulo a prime: the power is taken modulo prime (a - 1), so that the division
 * is exact. */
static void check_chains(uint64_t *chain, int count, struct hf_divide_constants map, uint64_t times,
                         uint64_t prime)
{
    mpz_t power, modulus, x;

    mpz_inits(power, modulus, x, NULL);
    mpz_set_ui(modulus, prime);
    mpz_mul_ui(modulus, modulus, map.multiplier - 1);
    mpz_set_ui(power, map.multiplier);
    mpz_powm_ui(power, power, times, modulus);
    for (int i = 0; i < count; i++) {
        mpz_sub_ui(x, power, 1);
        mpz_mod(x, x, modulus);
        mpz_divexact_ui(x, x, map.multiplier - 1);
        mpz_mul_ui(x, x, map.increment);
        mpz_addmul_ui(x, power, chain[i]);
        chain[i] = mpz_fdiv_ui(x, prime);
    }
    mpz_clears(power, modulus, x, NULL);
}

static void test_lengths(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 1);
    for (int i = 0; i < LENGTHS; i++) {
        enum hf_operands operands = (enum hf_operands)(i % HF_OPERANDS_COUNT);
        uint64_t seed = hf_random_u64(&random);
        uint64_t steps = hf_random_below(&random, (UINT64_C(1) << 40) + 1) >> (i % 5 == 0 ? 30 : 0);
        uint64_t turns = steps * HF_DIVIDE_TURNS;
        uint64_t expected;

        hf_divide_start(&state, operands, seed);
        check_chains(state.wide, HF_DIVIDE_LONG, state.wide_map, turns, HF_DIVIDE_LONG_PRIME);
        check_chains(state.narrow, HF_DIVIDE_SHORT, state.narrow_map, turns, HF_DIVIDE_SHORT_PRIME);
        check_chains(state.real, HF_DIVIDE_DOUBLE, state.real_map, steps, HF_DIVIDE_DOUBLE_PRIME);
        check_chains(state.extended, HF_DIVIDE_EXTENDED, state.extended_map, steps, HF_DIVIDE_EXTENDED_PRIME);
        expected = hf_words_fold((const uint64_t *)&state, HF_DIVIDE_WORDS);
        for (int reference = 0; reference < 2; reference++) {
            const struct hf_kernel *kernel = kernel_at(reference);

            assert_true(kernel->expect(operands, seed, steps) == expected);
            if (steps > 2000)
                continue;
            kernel->start(&state, operands, seed);
            kernel->advance(&state, steps);
            assert_true(kernel->digest(&state) == expected);
        }
    }
}

/* The ends of the ranges, where a whole part has least room: dividends one below and at multiples of the
 * prime. */
static void test_ends(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 2);
    for (int i = 0; i < 20000; i++) {
        const struct hf_kernel *kernel = kernel_at(i % 2);
        struct hf_divide_state before;

        kernel->start(&state, HF_OPERANDS_FULL, hf_random_u64(&random));
        for (int c = 0; c < HF_DIVIDE_DOUBLE; c++) {
            uint64_t multiple = hf_random_below(&random, HF_DIVIDE_DOUBLE_PRIME - 1) + 1;

            /* p - 1 times the first is multiple p - multiple: one below a multiple of p, and at one */
            state.real_map.multiplier = HF_DIVIDE_DOUBLE_PRIME - 1;
            state.real[c] = c == 0 ? multiple : HF_DIVIDE_DOUBLE_PRIME - multiple;
            if (c == 0)
                state.real_map.increment = multiple - 1 + (uint64_t)(i / 2 % 2);
        }
        before = state;
        kernel->advance(&state, 1);
        for (int c = 0; c < HF_DIVIDE_DOUBLE; c++)
            assert_true(state.real[c] ==
                        (before.real[c] * before.real_map.multiplier + before.real_map.increment) %
                            HF_DIVIDE_DOUBLE_PRIME);
        for (int c = 0; c < HF_DIVIDE_EXTENDED; c++)
            assert_true(state.extended[c] == (before.extended[c] * before.extended_map.multiplier +
                                              before.extended_map.increment) %
                                                 HF_DIVIDE_EXTENDED_PRIME);
        assert_true(state.flaw == 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_primes),
        cmocka_unit_test(test_generators),
        cmocka_unit_test(test_lengths),
        cmocka_unit_test(test_ends),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
