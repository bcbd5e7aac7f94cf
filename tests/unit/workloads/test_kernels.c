/* Every entry against its plain C reference and the closed form; planted bits; the proof; addresses of kernel
 * code. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "holdfast/kernel.h"
#include "holdfast/random.h"
#include "workloads/features.h"
#include "workloads/kernels/kernel_code.h"

#define STATE_ROOM 262144
#define SEED       UINT64_C(20261125) /* printed by a failure through the values compared */

static _Alignas(64) unsigned char state[STATE_ROOM];
static _Alignas(64) unsigned char other[STATE_ROOM];

/* An entry and its reference, for each index. */
struct pair {
    const struct hf_kernel *entry;
    const struct hf_kernel *reference;
};

static struct pair pair_at(int index)
{
    const struct hf_kernel *entry = hf_kernel_at(index);

    return (struct pair){entry, hf_kernel_reference(entry->name, entry->width_bits)};
}

static uint64_t digest_after(const struct hf_kernel *kernel, enum hf_operands operands, uint64_t seed,
                             uint64_t steps)
{
    kernel->start(state, operands, seed);
    kernel->advance(state, steps);
    return kernel->digest(state);
}

static void test_registry(void **unused)
{
    (void)unused;
    assert_true(hf_kernel_count() >= 5);
    for (int i = 0; i < hf_kernel_count(); i++) {
        struct pair pair = pair_at(i);

        assert_string_equal(pair.reference->isa, "reference");
        assert_string_equal(pair.entry->name, pair.reference->name);
        assert_int_equal(hf_kernel_index(pair.entry->name, pair.entry->width_bits), i);
        assert_ptr_equal(hf_kernel_find(pair.entry->name, pair.entry->width_bits), pair.entry);
        assert_true(pair.entry->state_bytes <= hf_kernel_state_bytes_max());
        assert_true(pair.entry->state_bytes % 64 == 0 && pair.reference->state_bytes % 64 == 0);
        assert_true(pair.entry->live_bits > 0 && pair.entry->live_bits % 64 == 0);
        assert_true(pair.entry->burst_steps > 0 && pair.entry->operations_per_step > 0);
        assert_true(pair.entry->load_class > HF_LOAD_IDLE && pair.entry->load_class < HF_LOAD_COUNT);
    }
    assert_null(hf_kernel_find("no-such-kernel", 0));
    assert_null(hf_kernel_find("branch", 512));
    assert_int_equal(hf_kernel_index("fma-residue", 100), -1);
}

static void test_widest(void **unused)
{
    unsigned features = hf_features_here();
    int avx512 = (features & HF_FEATURE_AVX512) != 0;
    int width = avx512 ? 512 : ((features & HF_FEATURE_AVX2_FMA) != 0 ? 256 : 128);

    (void)unused;
    assert_int_equal(hf_kernel_find("fma-residue", 0)->width_bits, width);
    assert_int_equal(hf_kernel_is_native(hf_kernel_index("fma-residue", 512)), avx512);
    assert_int_equal(hf_kernel_is_native(hf_kernel_index("branch", 0)), 1);
}

static void test_force_reference(void **unused)
{
    const struct hf_kernel *fast = hf_kernel_find("fma-residue", 0);

    (void)unused;
    hf_kernel_force_reference(1);
    for (int i = 0; i < hf_kernel_count(); i++)
        assert_string_equal(hf_kernel_at(i)->isa, "reference");
    assert_int_equal(hf_kernel_find("fma-residue", 0)->width_bits, fast->width_bits); /* the same slices */
    hf_kernel_force_reference(0);
    assert_ptr_equal(hf_kernel_find("fma-residue", 0), fast);
}

static unsigned features_of(uint32_t leaf1_ecx, uint32_t leaf7_ebx, uint32_t leaf7_ecx, uint64_t xcr0)
{
    return hf_features_of(&(struct hf_feature_words){leaf1_ecx, leaf7_ebx, leaf7_ecx, xcr0});
}

static void test_features(void **unused)
{
    const uint32_t ecx = 1u << 12 | 1u << 27 | 1u << 28;
    const uint32_t avx2 = 1u << 5 | 1u << 8;
    const uint32_t avx512 = avx2 | 1u << 16 | 1u << 17 | 1u << 30 | 1u << 31;
    const unsigned both = HF_FEATURE_AVX2_FMA | HF_FEATURE_AVX512;

    (void)unused;
    assert_int_equal(features_of(ecx, avx2, 0, 7), HF_FEATURE_AVX2_FMA);
    assert_int_equal(features_of(ecx, avx512, 0, 0xe7), both);
    /* the CPU has it, the system does not save it */
    assert_int_equal(features_of(ecx, avx512, 1u << 11, 7), HF_FEATURE_AVX2_FMA);
    assert_int_equal(features_of(ecx, avx512, 0, 0x67), HF_FEATURE_AVX2_FMA);
    assert_int_equal(features_of(ecx, avx512, 0, 3), 0);
    assert_int_equal(features_of(ecx, avx512, 0, 0), 0);
    /* the system would save it, the CPU lacks a part */
    assert_int_equal(features_of(ecx & ~(1u << 12), avx2, 0, 7), 0);
    assert_int_equal(features_of(ecx & ~(1u << 27), avx512, 0, 0xe7), 0);
    assert_int_equal(features_of(ecx, avx512 & ~(1u << 17), 0, 0xe7), HF_FEATURE_AVX2_FMA);
    assert_int_equal(features_of(ecx, 1u << 5, 0, 7), 0); /* no BMI2 */
    /* those that need no state of their own */
    assert_int_equal(features_of(1u << 25 | 1u << 1 | 1u << 9 | 1u << 19, 0, 0, 0), HF_FEATURE_AES);
    assert_int_equal(features_of(1u << 25 | 1u << 9 | 1u << 19, 0, 0, 0), 0);
    assert_int_equal(features_of(1u << 9 | 1u << 19, 1u << 29, 0, 0), HF_FEATURE_SHA);
    assert_int_equal(features_of(1u << 20, 0, 0, 0), HF_FEATURE_CRC32);
    assert_int_equal(features_of(ecx, avx512, 1u << 9 | 1u << 10 | 1u << 11, 0xe7),
                     both | HF_FEATURE_VAES | HF_FEATURE_VNNI);
    assert_int_equal(features_of(ecx, avx512 | 1u << 21, 0, 0xe7), both | HF_FEATURE_IFMA);
}

/* Beyond level 1 a memory kernel is the same code on another size: fewer repeats do (test_memory_kernels has
 * more of them). */
static int is_repeated(const struct hf_kernel *kernel)
{
    return kernel->level > 1;
}

static void check_length(struct pair pair, enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    uint64_t expected = pair.entry->expect(operands, seed, steps);

    assert_true(pair.reference->expect(operands, seed, steps) == expected);
    if (digest_after(pair.entry, operands, seed, steps) != expected ||
        digest_after(pair.reference, operands, seed, steps) != expected)
        fail_msg("%s %d %s, operands %s, seed %llu, %llu steps", pair.entry->name, pair.entry->width_bits,
                 pair.entry->isa, hf_operands_name(operands), (unsigned long long)seed,
                 (unsigned long long)steps);
}

static void test_against_reference(void **unused)
{
    static const uint64_t lengths[] = {0, 1, 2, 3, 7, 50, 64, 333, 1000, 1001, 2003};
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 1);
    for (int i = 0; i < hf_kernel_count(); i++) {
        for (unsigned operands = 0; operands < HF_OPERANDS_COUNT; operands++) {
            for (size_t l = 0; l < sizeof lengths / sizeof lengths[0]; l++) {
                if (lengths[l] <= 400 || !is_repeated(hf_kernel_at(i)))
                    check_length(pair_at(i), (enum hf_operands)operands, hf_random_u64(&random), lengths[l]);
            }
            for (int repeat = 0; repeat < (is_repeated(hf_kernel_at(i)) ? 4 : 20); repeat++)
                check_length(pair_at(i), (enum hf_operands)operands, hf_random_u64(&random),
                             hf_random_below(&random, 400));
        }
    }
}

static void test_split_bursts(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 2);
    for (int i = 0; i < hf_kernel_count(); i++) {
        struct pair pair = pair_at(i);

        for (unsigned operands = 0; operands < HF_OPERANDS_COUNT; operands++) {
            uint64_t seed = hf_random_u64(&random);
            uint64_t total = 0;

            pair.entry->start(state, (enum hf_operands)operands, seed);
            for (int burst = 0; burst < 40; burst++) {
                uint64_t steps = hf_random_below(&random, 30);

                pair.entry->advance(state, steps);
                total += steps;
                assert_true(pair.entry->digest(state) ==
                            pair.entry->expect((enum hf_operands)operands, seed, total));
            }
        }
    }
}

/* Different seeds, sets and lengths must not share an answer: a digest that never moves would pass everything
 * else. */
static void test_answers_differ(void **unused)
{
    (void)unused;
    for (int i = 0; i < hf_kernel_count(); i++) {
        const struct hf_kernel *kernel = hf_kernel_at(i);
        uint64_t seen[HF_OPERANDS_COUNT * 4 * 8];
        int count = 0;

        for (unsigned operands = 0; operands < HF_OPERANDS_COUNT; operands++) {
            for (uint64_t seed = 0; seed < 4; seed++) {
                for (uint64_t steps = 0; steps < 8; steps++)
                    seen[count++] = kernel->expect((enum hf_operands)operands, seed, steps);
            }
        }
        for (int a = 0; a < count; a++) {
            for (int b = 0; b < a; b++)
                assert_true(seen[a] != seen[b]);
        }
    }
}

static int planted_is_reported(const struct hf_kernel *kernel, enum hf_operands operands, uint64_t bit,
                               uint64_t after)
{
    struct hf_lane_report report;
    int digest_differs;

    memcpy(other, state, kernel->state_bytes);
    kernel->plant(other, bit);
    kernel->advance(other, after);
    digest_differs = kernel->digest(other) != kernel->expect(operands, SEED, 9 + after);
    kernel->locate(other, operands, SEED, 9 + after, &report);
    assert_int_equal(digest_differs, report.lane >= 0);
    assert_true(!digest_differs || report.expected != report.got);
    return digest_differs;
}

/* Every live bit of the state, at once and after more steps; of large states, and of the same code once more,
 * some at random (the kernels' own tests try all of theirs). */
#define BITS_ALL      9000
#define BITS_SOME     2000
#define BITS_REPEATED 200

static uint64_t bits_tried(const struct hf_kernel *kernel)
{
    if (is_repeated(kernel))
        return BITS_REPEATED;
    return kernel->live_bits <= BITS_ALL ? kernel->live_bits : BITS_SOME;
}

static void test_every_planted_bit(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 7);
    for (int i = 0; i < 2 * hf_kernel_count(); i++) {
        struct pair pair = pair_at(i / 2);
        const struct hf_kernel *kernel = i % 2 ? pair.reference : pair.entry;

        for (unsigned operands = 0; operands < HF_OPERANDS_COUNT; operands++) {
            kernel->start(state, (enum hf_operands)operands, SEED);
            kernel->advance(state, 9);
            /* plain C, which is slow: each bit in one of the sets */
            for (uint64_t n = i % 2 ? operands : 0; n < bits_tried(kernel);
                 n += i % 2 ? HF_OPERANDS_COUNT : 1) {
                uint64_t bit =
                    bits_tried(kernel) == kernel->live_bits ? n : hf_random_below(&random, kernel->live_bits);

                if (!planted_is_reported(kernel, (enum hf_operands)operands, bit, 0) ||
                    !planted_is_reported(kernel, (enum hf_operands)operands, bit, 1 + bit % 7))
                    fail_msg("%s %d %s, operands %s: bit %llu is not reported", kernel->name,
                             kernel->width_bits, kernel->isa, hf_operands_name((enum hf_operands)operands),
                             (unsigned long long)bit);
            }
            assert_true(kernel->digest(state) == kernel->expect((enum hf_operands)operands, SEED, 9));
        }
    }
}

/* A few thousand bits that then live through a long burst, as in a real block. */
static void test_planted_bit_is_not_forgotten(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 3);
    for (int i = 0; i < hf_kernel_count(); i++) {
        const struct hf_kernel *kernel = hf_kernel_at(i);
        int count = strcmp(kernel->isa, "reference") == 0 || is_repeated(kernel) ? 60 : 600;

        for (int repeat = 0; repeat < count; repeat++) {
            enum hf_operands operands = (enum hf_operands)(repeat % HF_OPERANDS_COUNT);

            kernel->start(state, operands, SEED);
            kernel->advance(state, 9);
            assert_true(planted_is_reported(kernel, operands, hf_random_below(&random, kernel->live_bits),
                                            kernel->burst_steps * (uint64_t)(1 + repeat % 3)));
        }
    }
}

static void test_proof(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 4);
    for (int i = 0; i < hf_kernel_count(); i++) {
        struct pair pair = pair_at(i);

        for (int repeat = 0; repeat < (is_repeated(pair.entry) ? 2 : 8); repeat++) {
            assert_int_equal(
                hf_kernel_proof(pair.entry, state, hf_random_u64(&random), hf_random_u64(&random)), 1);
            assert_int_equal(
                hf_kernel_proof(pair.reference, state, hf_random_u64(&random), hf_random_u64(&random)), 1);
        }
    }
}

/* Kernels that are wrong, or blind: the proof must say so. */
static uint64_t blind_digest(const void *blind_state)
{
    (void)blind_state;
    return 7;
}

static uint64_t blind_expect(enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    (void)operands;
    (void)seed;
    (void)steps;
    return 7;
}

static void plant_nothing(void *unplanted_state, uint64_t bit)
{
    (void)unplanted_state;
    (void)bit;
}

static void test_proof_can_fail(void **unused)
{
    struct hf_kernel kernel = *hf_kernel_find("wide-multiply", 0);

    (void)unused;
    kernel.expect = blind_expect; /* a wrong answer */
    assert_int_equal(hf_kernel_proof(&kernel, state, 1, 2), 0);
    kernel.digest = blind_digest; /* always "right" */
    assert_int_equal(hf_kernel_proof(&kernel, state, 1, 2), 0);
    kernel = *hf_kernel_find("wide-multiply", 0);
    kernel.plant = plant_nothing;
    assert_int_equal(hf_kernel_proof(&kernel, state, 1, 2), 0);
}

/* A corrupted state may give any digest, but it must come back, and from within its buffer (address
 * sanitizer). */
static void test_garbage_states_return(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 5);
    for (int i = 0; i < 2 * hf_kernel_count(); i++) {
        struct pair pair = pair_at(i / 2);
        const struct hf_kernel *kernel = i % 2 ? pair.reference : pair.entry;

        for (int repeat = 0; repeat < 50; repeat++) {
            unsigned char *exact = aligned_alloc(64, kernel->state_bytes);

            assert_non_null(exact);
            kernel->start(exact, HF_OPERANDS_FULL, SEED);
            for (size_t b = 0; b < kernel->state_bytes; b++)
                exact[b] = (unsigned char)hf_random_u64(&random);
            kernel->advance(exact, 17);
            assert_true(kernel->digest(exact) != kernel->expect(HF_OPERANDS_FULL, SEED, 17));
            free(exact);
        }
    }
}

static void test_kernel_code_addresses(void **unused)
{
    (void)unused;
    for (int i = 0; i < hf_kernel_count(); i++) {
        struct pair pair = pair_at(i);

        assert_true(hf_kernel_owns_address((const void *)(uintptr_t)pair.entry->advance));
        assert_true(hf_kernel_owns_address((const void *)((uintptr_t)pair.entry->advance + 40)));
        assert_true(hf_kernel_owns_address((const void *)(uintptr_t)pair.reference->advance));
        assert_false(hf_kernel_owns_address((const void *)(uintptr_t)pair.entry->digest));
        assert_false(hf_kernel_owns_address((const void *)(uintptr_t)pair.entry->expect));
    }
    assert_false(hf_kernel_owns_address((const void *)(uintptr_t)test_proof));
    assert_false(hf_kernel_owns_address(state));
    assert_false(hf_kernel_owns_address(NULL));
}

/* Any one word, any one bit: the fold moves. */
static void test_fold(void **unused)
{
    uint64_t words[20];
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 6);
    for (int i = 0; i < 20; i++)
        words[i] = hf_random_u64(&random);
    for (int i = 0; i < 20; i++) {
        uint64_t before = hf_words_fold(words, 20);

        for (int bit = 0; bit < 64; bit++) {
            words[i] ^= UINT64_C(1) << bit;
            assert_true(hf_words_fold(words, 20) != before);
            words[i] ^= UINT64_C(1) << bit;
        }
    }
    assert_true(hf_words_fold(words, 20) != hf_words_fold(words, 19));
}

static void test_operands_names(void **unused)
{
    (void)unused;
    for (int i = 0; i < HF_OPERANDS_COUNT; i++)
        assert_int_equal(hf_operands_of_name(hf_operands_name((enum hf_operands)i)), i);
    assert_int_equal(hf_operands_of_name("Full"), -1);
}

/* The share of its limit that a kernel reached in a short look. */
static double measured_share(const struct hf_kernel *kernel)
{
    struct hf_error error = {0};
    double steps_per_s = 0;
    double limit_per_s = 0;

    assert_int_equal(hf_kernel_measure(kernel, 0.02, &steps_per_s, &limit_per_s, &error), HF_OK);
    assert_true(steps_per_s > 1000);
    assert_int_equal(limit_per_s > 0, kernel->limit_loop != NULL);
    return limit_per_s > 0 ? steps_per_s * kernel->operations_per_step / limit_per_s : 0;
}

/* No kernel is faster than its limit. Several looks: other tenants of the machine slow down now one, now the
 * other. */
static void test_measure(void **unused)
{
    (void)unused;
    for (int i = 0; i < hf_kernel_count(); i++) {
        const struct hf_kernel *kernel = hf_kernel_at(i);
        double least = measured_share(kernel);

#if !defined(HOLDFAST_SANITIZED) && !defined(HOLDFAST_EMULATED) /* no limit there: rates mean nothing */
        for (int look = 0; look < 20 && least > 1.05; look++) {
            double share = measured_share(kernel);

            least = share < least ? share : least;
        }
        if (least > 1.05)
            fail_msg("%s %d: %.3f of its limit", kernel->name, kernel->width_bits, least);
#else
        assert_true(least >= 0);
#endif
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_registry),
        cmocka_unit_test(test_widest),
        cmocka_unit_test(test_force_reference),
        cmocka_unit_test(test_features),
        cmocka_unit_test(test_against_reference),
        cmocka_unit_test(test_split_bursts),
        cmocka_unit_test(test_answers_differ),
        cmocka_unit_test(test_every_planted_bit),
        cmocka_unit_test(test_planted_bit_is_not_forgotten),
        cmocka_unit_test(test_proof),
        cmocka_unit_test(test_proof_can_fail),
        cmocka_unit_test(test_garbage_states_return),
        cmocka_unit_test(test_kernel_code_addresses),
        cmocka_unit_test(test_fold),
        cmocka_unit_test(test_operands_names),
        cmocka_unit_test(test_measure),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
