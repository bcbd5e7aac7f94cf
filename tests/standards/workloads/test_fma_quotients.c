/*
 * Folded blocks of fma-residue and fma-single against GMP (GNU Multiple Precision Arithmetic Library): every
 * quotient by exact rational arithmetic, rounded to the nearest, ties to even (IEEE 754-2019, section 4.3.1).
 * Also the second primes and the order of their roots.
 */
#include <gmp.h>
#include <math.h>
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

#define SEED UINT64_C(19850101)

static _Alignas(64) unsigned char state[16384];

static void check_field(const struct hf_residue_field *field)
{
    mpz_t p, x;

    mpz_inits(p, x, NULL);
    mpz_set_ui(p, field->prime);
    assert_true(mpz_probab_prime_p(p, 40) > 0 && mpz_sizeinbase(p, 2) == (size_t)field->bits);
    mpz_set_ui(p, field->folded_prime);
    assert_true(mpz_probab_prime_p(p, 40) > 0 && mpz_sizeinbase(p, 2) == (size_t)field->bits);
    mpz_set_ui(x, field->folded_root); /* of prime order: not 1, and 1 to the power of the period */
    assert_true(field->folded_root > 1 && field->folded_root < field->folded_prime);
    mpz_powm_ui(x, x, HF_RESIDUE_PERIOD, p);
    assert_true(mpz_cmp_ui(x, 1) == 0);
    mpz_set_ui(x, HF_RESIDUE_PERIOD);
    assert_true(mpz_probab_prime_p(x, 40) > 0);
    mpz_clears(p, x, NULL);
}

static void test_fields(void **unused)
{
    (void)unused;
    check_field(&hf_residue_double_field);
    check_field(&hf_residue_single_field);
}

/* The ratio c / p as the element type has it, by the machine's own division. */
static void set_ratio(const struct hf_residue_field *field, int64_t c, uint64_t p, mpz_t ret_mantissa,
                      int *ret_shift)
{
    double ratio = field->mantissa_bits == 24 ? (double)((float)c / (float)p) : (double)c / (double)p;
    int exponent;
    double fraction = frexp(ratio, &exponent);

    mpz_set_d(ret_mantissa, ldexp(fraction, 53));
    *ret_shift = 53 - exponent;
}

/* The whole number nearest to a sum of a whole number and number / 2^shift, less that whole number. */
static void round_quotient(mpz_t ret_quotient, const mpz_t number, int shift, const mpz_t before)
{
    mpz_t rest, half, even;

    mpz_inits(rest, half, even, NULL);
    mpz_fdiv_q_2exp(ret_quotient, number, (mp_bitcnt_t)shift);
    mpz_fdiv_r_2exp(rest, number, (mp_bitcnt_t)shift);
    mpz_setbit(half, (mp_bitcnt_t)(shift - 1));
    mpz_add(even, ret_quotient, before);
    if (mpz_cmp(rest, half) > 0 || (mpz_cmp(rest, half) == 0 && mpz_odd_p(even)))
        mpz_add_ui(ret_quotient, ret_quotient, 1);
    mpz_clears(rest, half, even, NULL);
}

/* One step of one lane: x and the chain's sum so far. */
static void step_lane(int64_t *x, int64_t c, uint64_t p, const mpz_t mantissa, int shift, mpz_t total)
{
    mpz_t product, q;

    mpz_inits(product, q, NULL);
    mpz_set_si(product, *x);
    mpz_mul(product, product, mantissa);
    round_quotient(q, product, shift, total);
    mpz_add(total, total, q);
    mpz_set_si(product, *x);
    mpz_mul_si(product, product, c);
    mpz_submul_ui(product, q, p);
    assert_true(mpz_fits_slong_p(product));
    *x = mpz_get_si(product);
    mpz_clears(product, q, NULL);
}

static void check_block(const struct hf_kernel *kernel, const struct hf_residue_shape *shape,
                        enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    const struct hf_residue_field *field = shape->field;
    struct hf_residue_begin begin;
    uint64_t words[HF_RESIDUE_WORDS_MAX] = {0};
    uint64_t *sum = words + shape->lanes + 2;
    mpz_t mantissa, total;
    int shift;

    mpz_inits(mantissa, total, NULL);
    hf_residue_begin(shape, HF_RESIDUE_BY_SEED, operands, seed, &begin);
    assert_true(begin.folded);
    set_ratio(field, begin.multiplier, begin.prime, mantissa, &shift);
    for (uint64_t step = 0; step < steps; step++) {
        for (int first = 0; first < shape->lanes; first += shape->chain * shape->vector_lanes) {
            for (int l = 0; l < shape->vector_lanes; l++) {
                mpz_set_ui(total, 0);
                for (int v = 0; v < shape->chain; v++)
                    step_lane(&begin.lane[first + l + v * shape->vector_lanes], begin.multiplier, begin.prime,
                              mantissa, shift, total);
                sum[l] += field->magic_bits + (uint64_t)mpz_get_si(total);
            }
        }
        for (int l = 0; l < shape->vector_lanes; l++)
            sum[shape->vector_lanes + l] += sum[l];
    }
    for (int i = 0; i < shape->lanes; i++)
        words[i] = (uint64_t)begin.lane[i] + (UINT64_C(1) << 62);
    words[shape->lanes] = (uint64_t)begin.multiplier + (UINT64_C(1) << 62);
    words[shape->lanes + 1] = 1;
    for (int l = 0; l < 2 * shape->vector_lanes; l++)
        sum[l] &= field->fold_mask;
    assert_true(kernel->expect(operands, seed, steps) == hf_words_fold(words, hf_residue_word_count(shape)));
    kernel->start(state, operands, seed);
    kernel->advance(state, steps);
    assert_true(kernel->digest(state) == hf_words_fold(words, hf_residue_word_count(shape)));
    mpz_clears(mantissa, total, NULL);
}

static void test_folded_blocks(void **unused)
{
    static const struct {
        const char *name;
        int width_bits;
        const struct hf_residue_shape *shape;
    } cases[] = {
        {"fma-residue", 128, &hf_fma_residue_shape_128}, {"fma-residue", 256, &hf_fma_residue_shape_256},
        {"fma-residue", 512, &hf_fma_residue_shape_512}, {"fma-single", 128, &hf_fma_single_shape_128},
        {"fma-single", 256, &hf_fma_single_shape_256},   {"fma-single", 512, &hf_fma_single_shape_512},
    };
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 1);
    for (unsigned i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        for (unsigned operands = 0; operands < 2 * HF_OPERANDS_COUNT; operands++) {
            uint64_t seed = hf_random_u64(&random);

            while (!hf_residue_is_folded(seed))
                seed = hf_random_u64(&random);
            check_block(hf_kernel_find(cases[i].name, cases[i].width_bits), cases[i].shape,
                        (enum hf_operands)(operands % HF_OPERANDS_COUNT), seed,
                        hf_random_below(&random, 200));
        }
    }
}

/* Single precision, plain: the closed form against GMP for lengths up to 2^40. */
static void test_single_lengths(void **unused)
{
    const struct hf_residue_shape *shape = &hf_fma_single_shape_128;
    const struct hf_kernel *kernel = hf_kernel_find("fma-single", 128);
    struct hf_random random;
    mpz_t power, prime;

    (void)unused;
    mpz_inits(power, prime, NULL);
    mpz_set_ui(prime, HF_PRIME_21);
    hf_random_init(&random, SEED, 2);
    for (int i = 0; i < 1000; i++) {
        enum hf_operands operands = (enum hf_operands)(i % HF_OPERANDS_COUNT);
        uint64_t seed = hf_random_u64(&random);
        uint64_t steps = hf_random_below(&random, (UINT64_C(1) << 40) + 1) >> (i % 5 == 0 ? 30 : 0);
        uint64_t words[HF_RESIDUE_WORDS_MAX] = {0};
        struct hf_residue_begin begin;

        while (hf_residue_is_folded(seed))
            seed = hf_random_u64(&random);
        hf_residue_begin(shape, HF_RESIDUE_BY_SEED, operands, seed, &begin);
        mpz_set_si(power, begin.multiplier);
        mpz_powm_ui(power, power, steps, prime);
        for (int lane = 0; lane < shape->lanes; lane++) {
            mpz_t x;

            mpz_init(x);
            mpz_mul_si(x, power, begin.lane[lane]);
            words[lane] = mpz_fdiv_ui(x, HF_PRIME_21);
            mpz_clear(x);
        }
        words[shape->lanes] =
            (uint64_t)(begin.multiplier < 0 ? begin.multiplier + (int64_t)HF_PRIME_21 : begin.multiplier);
        assert_true(kernel->expect(operands, seed, steps) ==
                    hf_words_fold(words, hf_residue_word_count(shape)));
    }
    mpz_clears(power, prime, NULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_fields),
        cmocka_unit_test(test_folded_blocks),
        cmocka_unit_test(test_single_lengths),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
