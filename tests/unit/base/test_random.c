/* Random numbers: known outputs of the published generators, streams, and the shape of the distributions. */
#include "unit/base/base_test.h"

#include <math.h>

#include "holdfast/random.h"

#define DRAWS 200000

/* splitmix64 from 1234567: the first outputs as published with several implementations (from memory). */
static void test_splitmix(void **state)
{
    static const uint64_t expected[] = {UINT64_C(6457827717110365317), UINT64_C(3203168211198807973),
                                        UINT64_C(9817491932198370423), UINT64_C(4593380528125082431),
                                        UINT64_C(16408922859458223821)};
    uint64_t counter = 1234567;

    (void)state;
    for (size_t i = 0; i < sizeof expected / sizeof expected[0]; i++) {
        counter += UINT64_C(0x9e3779b97f4a7c15);
        assert_true(hf_mix64(counter) == expected[i]);
    }
}

/* xoshiro256** from the state 1, 2, 3, 4: published with several implementations (from memory; the first four
 * can be worked out by hand). */
static void test_xoshiro(void **state)
{
    static const uint64_t expected[] = {UINT64_C(11520),
                                        UINT64_C(0),
                                        UINT64_C(1509978240),
                                        UINT64_C(1215971899390074240),
                                        UINT64_C(1216172134540287360),
                                        UINT64_C(607988272756665600),
                                        UINT64_C(16172922978634559625),
                                        UINT64_C(8476171486693032832),
                                        UINT64_C(10595114339597558777),
                                        UINT64_C(2904607092377533576)};
    struct hf_random random = {{1, 2, 3, 4}};

    (void)state;
    for (size_t i = 0; i < sizeof expected / sizeof expected[0]; i++) {
        uint64_t word = hf_random_u64(&random);

        if (word != expected[i])
            fail_msg("output %zu is %llu, not %llu", i, (unsigned long long)word,
                     (unsigned long long)expected[i]);
    }
}

static int bits_set(uint64_t word)
{
    int count = 0;

    for (; word != 0; word &= word - 1)
        count++;
    return count;
}

/* One changed input bit changes about half of the output bits. */
static void test_mix_scatters(void **state)
{
    double total = 0;

    (void)state;
    for (uint64_t word = 0; word < 1000; word++) {
        for (int bit = 0; bit < 64; bit++) {
            int changed = bits_set(hf_mix64(word * 7919) ^ hf_mix64(word * 7919 ^ (UINT64_C(1) << bit)));

            assert_in_range(changed, 5, 59);
            total += changed;
        }
    }
    assert_true(fabs(total / 64000 - 32) < 0.1);
}

static void test_streams(void **state)
{
    struct hf_random first;
    struct hf_random again;
    struct hf_random other_stream;
    struct hf_random other_seed;
    int equal = 0;

    (void)state;
    hf_random_init(&first, 7, 1);
    hf_random_init(&again, 7, 1);
    hf_random_init(&other_stream, 7, 2);
    hf_random_init(&other_seed, 8, 1);
    for (int i = 0; i < 1000; i++) {
        uint64_t word = hf_random_u64(&first);

        assert_true(word == hf_random_u64(&again));
        equal += word == hf_random_u64(&other_stream);
        equal += word == hf_random_u64(&other_seed);
    }
    assert_int_equal(equal, 0);
    hf_random_init(&first, 0, 0); /* any two values are allowed */
    assert_true((first.state[0] | first.state[1] | first.state[2] | first.state[3]) != 0);
    hf_random_init(&first, UINT64_MAX, UINT64_MAX);
    assert_true((first.state[0] | first.state[1] | first.state[2] | first.state[3]) != 0);
}

/* Pearson's statistic against its mean and standard deviation: beyond 5 sd nobody would believe it. */
static void test_below(void **state)
{
    static const uint64_t bounds[] = {1, 2, 3, 7, 10, 100};
    struct hf_random random;

    (void)state;
    hf_random_init(&random, 11, 3);
    for (size_t i = 0; i < sizeof bounds / sizeof bounds[0]; i++) {
        long count[100] = {0};
        double expected = (double)DRAWS / (double)bounds[i];
        double freedom = (double)bounds[i] - 1;
        double chi2 = 0;

        for (int k = 0; k < DRAWS; k++) {
            uint64_t word = hf_random_below(&random, bounds[i]);

            assert_true(word < bounds[i]);
            count[word]++;
        }
        for (uint64_t k = 0; k < bounds[i]; k++)
            chi2 += ((double)count[k] - expected) * ((double)count[k] - expected) / expected;
        assert_true(chi2 <= freedom + 5 * sqrt(2 * freedom) + 1e-9);
    }
    for (int k = 0; k < 1000; k++)
        assert_true(hf_random_below(&random, UINT64_C(1) << 63 | 1) <= UINT64_C(1) << 63);
}

static double draw_uniform(struct hf_random *random)
{
    double value = hf_random_uniform(random);

    assert_true(value > 0 && value < 1);
    return value;
}

/* Mean and variance within 5 standard errors; `fourth` is the fourth central moment. */
static void check_moments(double (*draw)(struct hf_random *), double mean, double variance, double fourth)
{
    struct hf_random random;
    double sum = 0;
    double squares = 0;

    hf_random_init(&random, 5, 4);
    for (int i = 0; i < DRAWS; i++) {
        double value = draw(&random);

        sum += value;
        squares += (value - mean) * (value - mean);
    }
    assert_true(fabs(sum / DRAWS - mean) < 5 * sqrt(variance / DRAWS));
    assert_true(fabs(squares / DRAWS - variance) < 5 * sqrt((fourth - variance * variance) / DRAWS));
}

static void test_moments(void **state)
{
    (void)state;
    check_moments(draw_uniform, 0.5, 1.0 / 12, 1.0 / 80);
    check_moments(hf_random_exponential, 1, 1, 9);
    check_moments(hf_random_normal, 0, 1, 3);
}

/* The share of normal draws within 1, 2, 3 standard deviations (0.682689, 0.954500, 0.997300: any table), and
 * of exponential draws above 1, 3 (1/e, 1/e^3). */
static void test_tails(void **state)
{
    static const double within[] = {0.682689, 0.954500, 0.997300};
    struct hf_random random;
    long inside[3] = {0};
    long above[2] = {0};

    (void)state;
    hf_random_init(&random, 6, 5);
    for (int i = 0; i < DRAWS; i++) {
        double normal = fabs(hf_random_normal(&random));
        double exponential = hf_random_exponential(&random);

        for (int k = 0; k < 3; k++)
            inside[k] += normal < k + 1;
        above[0] += exponential > 1;
        above[1] += exponential > 3;
    }
    for (int k = 0; k < 3; k++)
        assert_true(fabs((double)inside[k] / DRAWS - within[k]) <
                    5 * sqrt(within[k] * (1 - within[k]) / DRAWS));
    assert_true(fabs((double)above[0] / DRAWS - exp(-1)) < 5 * sqrt(exp(-1) / DRAWS));
    assert_true(fabs((double)above[1] / DRAWS - exp(-3)) < 5 * sqrt(exp(-3) / DRAWS));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_splitmix), cmocka_unit_test(test_xoshiro), cmocka_unit_test(test_mix_scatters),
        cmocka_unit_test(test_streams),  cmocka_unit_test(test_below),   cmocka_unit_test(test_moments),
        cmocka_unit_test(test_tails),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
