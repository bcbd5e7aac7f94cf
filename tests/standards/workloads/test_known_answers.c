/*
 * Known answers: published values, and the closed forms against GMP for lengths up to 2^40.
 *
 * GMP (GNU Multiple Precision Arithmetic Library) computes every answer here by its own route: mpz_powm, and
 * geometric sums by division, where the program uses square-and-multiply on affine maps.
 */
#include <gmp.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "holdfast/kernel.h"
#include "holdfast/random.h"
#include "workloads/arithmetic.h"
#include "workloads/kernels/branch.h"
#include "workloads/kernels/fma_residue.h"
#include "workloads/kernels/wide_multiply.h"

#define LENGTHS      1000
#define LONGEST      (UINT64_C(1) << 40)
#define SEED         UINT64_C(19990101)
#define BRANCH_WORDS 6

static _Alignas(64) unsigned char state[16384];

/* --- GMP on 64-bit words --- */

static void set_u64(mpz_t number, uint64_t value)
{
    mpz_import(number, 1, -1, sizeof value, 0, 0, &value);
}

static uint64_t get_u64(const mpz_t number)
{
    uint64_t value = 0;

    assert_true(mpz_sgn(number) >= 0 && mpz_sizeinbase(number, 2) <= 64);
    mpz_export(&value, NULL, -1, sizeof value, 0, 0, number);
    return value;
}

/* x base^exponent mod modulus */
static uint64_t gmp_power(uint64_t x, uint64_t base, uint64_t exponent, uint64_t modulus)
{
    mpz_t result, e, m;
    uint64_t value;

    mpz_inits(result, e, m, NULL);
    set_u64(result, base);
    set_u64(e, exponent);
    set_u64(m, modulus);
    mpz_powm(result, result, e, m);
    set_u64(e, x);
    mpz_mul(result, result, e);
    mpz_mod(result, result, m);
    value = get_u64(result);
    mpz_clears(result, e, m, NULL);
    return value;
}

/* a^n x + b (a^n - 1) / (a - 1) mod 2^64: the power is taken modulo 2^64 (a - 1), so that the division is
 * exact. */
static uint64_t gmp_affine(uint64_t a, uint64_t b, uint64_t n, uint64_t x)
{
    mpz_t power, modulus, e, sum, term;
    uint64_t value;

    assert_true(a > 1);
    mpz_inits(power, modulus, e, sum, term, NULL);
    set_u64(modulus, a - 1);
    mpz_mul_2exp(modulus, modulus, 64);
    set_u64(power, a);
    set_u64(e, n);
    mpz_powm(power, power, e, modulus);
    set_u64(term, x);
    mpz_mul(term, term, power);
    mpz_sub_ui(sum, power, 1);
    mpz_mod(sum, sum, modulus); /* a^n = 1 modulo the modulus gives 0 */
    set_u64(e, a - 1);
    mpz_divexact(sum, sum, e);
    set_u64(e, b);
    mpz_mul(sum, sum, e);
    mpz_add(sum, sum, term);
    mpz_fdiv_r_2exp(sum, sum, 64);
    value = get_u64(sum);
    mpz_clears(power, modulus, e, sum, term, NULL);
    return value;
}

/* --- published values --- */

/* p = 2^50 - 27 and 2^61 - 1 are prime (the second: Pervushin 1883, OEIS A000043). */
static void test_moduli_are_prime(void **unused)
{
    mpz_t p;

    (void)unused;
    mpz_init(p);
    assert_true(HF_PRIME_50 == (UINT64_C(1) << 50) - 27);
    assert_true(HF_PRIME_61 == (UINT64_C(1) << 61) - 1);
    set_u64(p, HF_PRIME_50);
    assert_true(mpz_probab_prime_p(p, 40) > 0);
    set_u64(p, HF_PRIME_61);
    assert_true(mpz_probab_prime_p(p, 40) > 0);
    mpz_clear(p);
}

/* 925529100508378^n mod 2^50 - 27: own powers, computed outside this program; n = 10^9 also by stepping
 * there. */
static void test_powers_modulo_p(void **unused)
{
    const uint64_t a = UINT64_C(925529100508378);

    (void)unused;
    assert_true(hf_power_mod(a, 1000000, HF_PRIME_50) == UINT64_C(204654332906897));
    assert_true(hf_power_mod(a, 1000000000, HF_PRIME_50) == UINT64_C(91532904208989));
    assert_true(hf_power_mod(a, UINT64_C(1000000000000), HF_PRIME_50) == UINT64_C(88938163914394));
    assert_true(gmp_power(1, a, UINT64_C(1000000000000), HF_PRIME_50) == UINT64_C(88938163914394));
}

/* 37^n mod 2^61 - 1: own powers, computed outside this program. */
static void test_powers_modulo_2_61(void **unused)
{
    (void)unused;
    assert_true(hf_power_mod(37, 1000000, HF_PRIME_61) == UINT64_C(1706712025620006575));
    assert_true(hf_power_mod(37, 1000000000, HF_PRIME_61) == UINT64_C(387106002555384040));
    assert_true(gmp_power(1, 37, 1000000000, HF_PRIME_61) == UINT64_C(387106002555384040));
}

/* x -> 6364136223846793005 x + 1442695040888963407 mod 2^64 from 1: Knuth's MMIX constants; own jump-ahead.
 */
static void test_affine_jumps(void **unused)
{
    const struct hf_affine map = {HF_MMIX_MULTIPLIER, HF_MMIX_INCREMENT};

    (void)unused;
    assert_true(hf_affine_apply(hf_affine_power(map, 1000000), 1) == UINT64_C(14884097605143612481));
    assert_true(hf_affine_apply(hf_affine_power(map, 1000000000), 1) == UINT64_C(13621014012951058945));
    assert_true(gmp_affine(map.multiplier, map.increment, 1000000, 1) == UINT64_C(14884097605143612481));
}

/* The published powers once more, through advance() itself: a million steps of every fma-residue entry. */
static void check_million_steps(const struct hf_kernel *kernel, int lanes, int is_vector)
{
    const uint64_t a = UINT64_C(925529100508378);
    const uint64_t expected = UINT64_C(204654332906897);
    struct hf_residue_state *vector = (void *)state;
    struct hf_residue_integer_state *integer = (void *)state;

    kernel->start(state, HF_OPERANDS_FULL, 1); /* a plain block */
    if (is_vector)
        vector->multiplier = -(double)(HF_PRIME_50 - a);
    else
        integer->multiplier = a;
    for (int i = 0; i < lanes; i++) {
        if (is_vector)
            vector->lane[i] = 1;
        else
            integer->lane[i] = 1;
    }
    kernel->advance(state, 1000000);
    for (int i = 0; i < lanes; i++) {
        double x = is_vector ? vector->lane[i] : (double)integer->lane[i];

        assert_true(x == (double)expected || x == (double)expected - (double)HF_PRIME_50);
    }
}

static void test_million_steps_of_fma(void **unused)
{
    static const int widths[] = {128, 256, 512};
    static const int lanes[] = {HF_FMA_LANES_128, HF_FMA_LANES_256, HF_FMA_LANES_512};

    (void)unused;
    for (int i = 0; i < 3; i++) {
        const struct hf_kernel *kernel = hf_kernel_find("fma-residue", widths[i]);

        check_million_steps(kernel, lanes[i], strcmp(kernel->isa, "reference") != 0);
    }
    check_million_steps(hf_kernel_reference("fma-residue", 128), HF_FMA_LANES_128, 0);
}

/* 37^(10^6) and 10^6 steps of the generator, through advance(): two turns a step, so 500000 steps. */
static void test_million_turns_of_multiply(void **unused)
{
    struct hf_wide_state *wide = (void *)state;

    (void)unused;
    assert_int_equal(HF_WIDE_POWER_TURNS, 2);
    assert_int_equal(HF_WIDE_AFFINE_TURNS, 2);
    for (int reference = 0; reference < 2; reference++) {
        const struct hf_kernel *kernel =
            reference ? hf_kernel_reference("wide-multiply", 64) : hf_kernel_find("wide-multiply", 64);

        kernel->start(state, HF_OPERANDS_FULL, 1);
        wide->power_multiplier = 37;
        for (int i = 0; i < HF_WIDE_POWERS; i++)
            wide->power[i] = 1;
        for (int i = 0; i < HF_WIDE_AFFINES; i++)
            wide->affine[i] = 1;
        kernel->advance(state, 500000);
        for (int i = 0; i < HF_WIDE_POWERS; i++)
            assert_true(wide->power[i] % HF_PRIME_61 == UINT64_C(1706712025620006575));
        for (int i = 0; i < HF_WIDE_AFFINES; i++)
            assert_true(wide->affine[i] == UINT64_C(14884097605143612481));
    }
}

/* pi(10^6) = 78498 (OEIS A006880); the primes below 10^6 add up to 37550402023 (OEIS A046731, from memory;
 * GMP agrees). Each window of the table against GMP's primality test. */
static void test_prime_windows(void **unused)
{
    uint64_t count = 0, sum = 0;
    mpz_t number;

    (void)unused;
    mpz_init(number);
    for (uint32_t w = 0; w < HF_BRANCH_WINDOWS; w++) {
        uint32_t window_count = 0, window_sum = 0;

        for (uint32_t n = w * HF_BRANCH_WINDOW_SIZE; n < (w + 1) * HF_BRANCH_WINDOW_SIZE; n++) {
            mpz_set_ui(number, n);
            if (mpz_probab_prime_p(number, 15) > 0) {
                window_count++;
                window_sum += n;
            }
        }
        assert_int_equal(window_count, hf_branch_windows[w].count);
        assert_int_equal(window_sum, hf_branch_windows[w].sum);
        count += window_count;
        sum += window_sum;
    }
    mpz_clear(number);
    assert_true(count == 78498);
    assert_true(sum == UINT64_C(37550402023));
}

/* --- closed forms against GMP --- */

static void check_fma_lengths(const struct hf_kernel *kernel, const struct hf_residue_shape *shape,
                              struct hf_random *random, int count)
{
    int lanes = shape->lanes;

    for (int i = 0; i < count; i++) {
        enum hf_operands operands = (enum hf_operands)(i % HF_OPERANDS_COUNT);
        uint64_t words[HF_RESIDUE_WORDS_MAX] = {0};
        uint64_t seed = hf_random_u64(random);
        uint64_t steps = hf_random_below(random, LONGEST + 1) >> (i % 5 == 0 ? 30 : 0);
        uint64_t expected;

        while (hf_residue_is_folded(seed)) /* test_fma_quotients.c has those */
            seed = hf_random_u64(random);
        hf_fma_start_words(operands, seed, lanes, words);
        words[lanes + 1] = 0;
        for (int lane = 0; lane < lanes; lane++)
            words[lane] = gmp_power(words[lane], words[lanes], steps, HF_PRIME_50);
        expected = hf_words_fold(words, hf_residue_word_count(shape));
        assert_true(kernel->expect(operands, seed, steps) == expected);
        if (steps <= 2000) {
            kernel->start(state, operands, seed);
            kernel->advance(state, steps);
            assert_true(kernel->digest(state) == expected);
        }
    }
}

static void test_fma_lengths(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 1);
    check_fma_lengths(hf_kernel_find("fma-residue", 128), &hf_fma_residue_shape_128, &random, LENGTHS);
    check_fma_lengths(hf_kernel_find("fma-residue", 256), &hf_fma_residue_shape_256, &random, LENGTHS);
    check_fma_lengths(hf_kernel_find("fma-residue", 512), &hf_fma_residue_shape_512, &random, LENGTHS);
}

/* z multiplier^n mod 2^128 */
static void gmp_double(uint64_t *low, uint64_t *high, uint64_t multiplier, uint64_t n)
{
    mpz_t z, e, power, modulus;

    mpz_inits(z, e, power, modulus, NULL);
    mpz_setbit(modulus, 128);
    set_u64(power, multiplier);
    set_u64(e, n);
    mpz_powm(power, power, e, modulus);
    set_u64(z, *high);
    mpz_mul_2exp(z, z, 64);
    set_u64(e, *low);
    mpz_add(z, z, e);
    mpz_mul(z, z, power);
    mpz_fdiv_r_2exp(power, z, 64);
    *low = get_u64(power);
    mpz_fdiv_q_2exp(z, z, 64);
    mpz_fdiv_r_2exp(z, z, 64);
    *high = get_u64(z);
    mpz_clears(z, e, power, modulus, NULL);
}

static void test_wide_lengths(void **unused)
{
    const struct hf_kernel *kernel = hf_kernel_find("wide-multiply", 64);
    struct hf_wide_state *wide = (void *)state;
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 2);
    for (int i = 0; i < LENGTHS; i++) {
        enum hf_operands operands = (enum hf_operands)(i % HF_OPERANDS_COUNT);
        uint64_t seed = hf_random_u64(&random);
        uint64_t steps = hf_random_below(&random, LONGEST + 1) >> (i % 5 == 0 ? 30 : 0);
        uint64_t expected;

        kernel->start(state, operands, seed);
        for (int lane = 0; lane < HF_WIDE_POWERS; lane++)
            wide->power[lane] = gmp_power(wide->power[lane], wide->power_multiplier,
                                          steps * HF_WIDE_POWER_TURNS, HF_PRIME_61);
        for (int lane = 0; lane < HF_WIDE_AFFINES; lane++)
            wide->affine[lane] = gmp_affine(wide->affine_multiplier, wide->affine_increment,
                                            steps * HF_WIDE_AFFINE_TURNS, wide->affine[lane]);
        for (int lane = 0; lane < HF_WIDE_DOUBLES; lane++)
            gmp_double(&wide->low[lane], &wide->high[lane], wide->double_multiplier,
                       steps * HF_WIDE_DOUBLE_TURNS);
        expected = hf_words_fold((const uint64_t *)state, HF_WIDE_WORDS);
        assert_true(kernel->expect(operands, seed, steps) == expected);
        if (steps <= 2000) {
            kernel->start(state, operands, seed);
            kernel->advance(state, steps);
            assert_true(kernel->digest(state) == expected);
        }
    }
}

/* The hash of a sorted permutation, by Horner's rule in GMP. */
static uint64_t gmp_sorted_hash(uint64_t odd)
{
    mpz_t hash, factor;
    uint64_t value;

    mpz_inits(hash, factor, NULL);
    set_u64(factor, odd);
    for (unsigned long i = 0; i < HF_BRANCH_KEYS; i++) {
        mpz_add_ui(hash, hash, i);
        mpz_mul(hash, hash, factor);
    }
    mpz_fdiv_r_2exp(hash, hash, 64);
    value = get_u64(hash);
    mpz_clears(hash, factor, NULL);
    return value;
}

/* What the job of a position answers, from the tables. */
static uint64_t branch_answer(uint64_t position, uint64_t sort_answer, uint64_t odd)
{
    uint64_t turn = position % HF_BRANCH_CYCLE / 4;

    switch (position % 4) {
    case 0:
        return gmp_affine(odd, hf_branch_windows[turn].count, 1, hf_branch_windows[turn].sum);
    case 1:
        return sort_answer;
    case 2:
        return gmp_affine(odd, hf_branch_boards[turn % 72].solutions, 1, hf_branch_boards[turn % 72].walk);
    default:
        return gmp_affine(odd, hf_branch_flights[turn].steps, 1, hf_branch_flights[turn].sum);
    }
}

/* fold -> A fold + answer over `steps` positions: one cycle's sum by Horner's rule, whole cycles as an affine
 * map of their own, in GMP throughout. */
static uint64_t gmp_fold(uint64_t fold, uint64_t position, uint64_t steps, uint64_t odd)
{
    const uint64_t cycle = HF_BRANCH_CYCLE;
    uint64_t part = steps % cycle; /* after the whole cycles */
    uint64_t sort_answer = gmp_sorted_hash(odd);
    uint64_t sum = 0;
    uint64_t part_sum = 0;
    uint64_t whole;

    for (uint64_t i = 0; i < cycle; i++) {
        if (i == part)
            part_sum = sum;
        sum = sum * odd + branch_answer(position + i, sort_answer, odd);
    }
    whole = gmp_affine(gmp_affine(odd, 0, cycle, 1), sum, steps / cycle, fold);
    return gmp_affine(odd, 0, part, whole) + part_sum;
}

static void test_branch_lengths(void **unused)
{
    const uint64_t odd = UINT64_C(0xd1342543de82ef95); /* Steele and Vigna 2021 */
    const struct hf_kernel *kernel = hf_kernel_find("branch", 64);
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 3);
    for (int i = 0; i < LENGTHS; i++) {
        enum hf_operands operands = (enum hf_operands)(i % HF_OPERANDS_COUNT);
        uint64_t seed = hf_random_u64(&random);
        uint64_t steps = hf_random_below(&random, LONGEST + 1) >> (i % 5 == 0 ? 30 : 0);
        uint64_t *words = (void *)state; /* fold, value, position, multiplier, increment, flaw */
        uint64_t expected;

        kernel->start(state, operands, seed);
        words[0] = gmp_fold(words[0], words[2], steps, odd);
        words[1] = gmp_affine(words[3], words[4], steps, words[1]);
        words[2] += steps;
        expected = hf_words_fold(words, BRANCH_WORDS);
        assert_true(kernel->expect(operands, seed, steps) == expected);
        if (steps <= 1100 && i % 3 == 0) {
            kernel->start(state, operands, seed);
            kernel->advance(state, steps);
            assert_true(kernel->digest(state) == expected);
        }
    }
}

/* One whole cycle through advance(): every window, board and flight of the tables is met. */
static void test_branch_whole_cycle(void **unused)
{
    const struct hf_kernel *kernel = hf_kernel_find("branch", 64);

    (void)unused;
    for (unsigned operands = 0; operands < HF_OPERANDS_COUNT; operands++) {
        kernel->start(state, (enum hf_operands)operands, SEED);
        for (uint64_t done = 0; done < HF_BRANCH_CYCLE + 50; done += 50) {
            kernel->advance(state, 50);
            assert_true(kernel->digest(state) == kernel->expect((enum hf_operands)operands, SEED, done + 50));
        }
    }
}

/* The vector multiplication against GMP, one product at a time: random factors, and the ends of the range. */
static void test_vector_products(void **unused)
{
    static const int64_t ends[] = {
        1, -1, 2, 3, -3, 562949953421298, -562949953421298, 562949953421297, 281474976710649};
    const struct hf_kernel *kernel = hf_kernel_find("fma-residue", 0);
    struct hf_residue_state *vector = (void *)state;
    const int64_t prime = (int64_t)HF_PRIME_50;
    struct hf_random random;
    mpz_t product;

    (void)unused;
    if (strcmp(kernel->isa, "reference") == 0)
        skip(); /* no vector entry runs here */
    mpz_init(product);
    hf_random_init(&random, SEED, 4);
    for (int i = 0; i < 20000; i++) {
        int64_t c = i < 81 ? ends[i / 9] : (int64_t)hf_random_below(&random, HF_PRIME_50) - prime / 2;
        int64_t x =
            i < 81 ? ends[i % 9] : (int64_t)(hf_random_below(&random, HF_PRIME_50 * 5 / 4)) - prime * 5 / 8;
        int64_t got;

        kernel->start(state, HF_OPERANDS_FULL, 1);
        vector->multiplier = (double)c;
        vector->lane[i % 8] = (double)x;
        kernel->advance(state, 1);
        got = (int64_t)vector->lane[i % 8];
        mpz_set_si(product, c); /* c x - got must be a multiple of p */
        mpz_mul_si(product, product, x);
        if (got >= 0)
            mpz_sub_ui(product, product, (unsigned long)got);
        else
            mpz_add_ui(product, product, (unsigned long)-got);
        assert_true(mpz_divisible_ui_p(product, HF_PRIME_50));
        assert_true((double)got == vector->lane[i % 8]);
        assert_true(got > -prime * 5 / 8 && got < prime * 5 / 8);
    }
    mpz_clear(product);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_moduli_are_prime),     cmocka_unit_test(test_powers_modulo_p),
        cmocka_unit_test(test_powers_modulo_2_61),   cmocka_unit_test(test_affine_jumps),
        cmocka_unit_test(test_million_steps_of_fma), cmocka_unit_test(test_million_turns_of_multiply),
        cmocka_unit_test(test_prime_windows),        cmocka_unit_test(test_fma_lengths),
        cmocka_unit_test(test_wide_lengths),         cmocka_unit_test(test_branch_lengths),
        cmocka_unit_test(test_branch_whole_cycle),   cmocka_unit_test(test_vector_products),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
