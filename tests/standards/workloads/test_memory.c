/*
 * The memory kernels against what is known outside: ChaCha20 (RFC 8439), and their closed forms against GMP
 * for 1,000 random lengths up to 2^40.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>
#include <gmp.h>

#include "holdfast/random.h"
#include "workloads/arena.h"
#include "workloads/kernels/chase.h"
#include "workloads/kernels/copy.h"
#include "workloads/kernels/kernel_code.h"

#define SEED    UINT64_C(20261125)
#define LENGTHS 1000

static _Alignas(64) unsigned char state[4096];

/* --- ChaCha20, written once more from RFC 8439, section 2.3.1 --- */

static uint32_t load(const unsigned char *bytes)
{
    return (uint32_t)bytes[0] | (uint32_t)bytes[1] << 8 | (uint32_t)bytes[2] << 16 | (uint32_t)bytes[3] << 24;
}

static void quarter(uint32_t *a, uint32_t *b, uint32_t *c, uint32_t *d)
{
    static const int turns[] = {16, 12, 8, 7};
    uint32_t *const pairs[4][3] = {{a, b, d}, {c, d, b}, {a, b, d}, {c, d, b}};

    for (int i = 0; i < 4; i++) {
        *pairs[i][0] += *pairs[i][1];
        *pairs[i][2] ^= *pairs[i][0];
        *pairs[i][2] = *pairs[i][2] << turns[i] | *pairs[i][2] >> (32 - turns[i]);
    }
}

static void chacha(const unsigned char key[32], const unsigned char nonce[12], uint32_t counter,
                   uint32_t out[16])
{
    static const unsigned char constant[] = "expand 32-byte k";
    uint32_t begin[16];

    for (int i = 0; i < 4; i++)
        begin[i] = load(constant + 4 * i);
    for (int i = 0; i < 8; i++)
        begin[4 + i] = load(key + 4 * i);
    begin[12] = counter;
    for (int i = 0; i < 3; i++)
        begin[13 + i] = load(nonce + 4 * i);
    memcpy(out, begin, sizeof begin);
    for (int i = 0; i < 10; i++) {
        quarter(&out[0], &out[4], &out[8], &out[12]);
        quarter(&out[1], &out[5], &out[9], &out[13]);
        quarter(&out[2], &out[6], &out[10], &out[14]);
        quarter(&out[3], &out[7], &out[11], &out[15]);
        quarter(&out[0], &out[5], &out[10], &out[15]);
        quarter(&out[1], &out[6], &out[11], &out[12]);
        quarter(&out[2], &out[7], &out[8], &out[13]);
        quarter(&out[3], &out[4], &out[9], &out[14]);
    }
    for (int i = 0; i < 16; i++)
        out[i] += begin[i];
}

/* RFC 8439, section 2.3.2: key 00..1f, nonce 00:00:00:09:00:00:00:4a:00:00:00:00, counter 1. Then the data
 * that `copy` moves: the same key, nonce 0, counters from 0. */
static void test_copy_moves_chacha(void **unused)
{
    static const unsigned char nonce[12] = {0, 0, 0, 9, 0, 0, 0, 0x4a, 0, 0, 0, 0};
    static const unsigned char zero[12];
    static const uint32_t expected[16] = {
        0xe4e7f110, 0x15593bd1, 0x1fdd0f50, 0xc47120a3, 0xc7f4d1c7, 0x0368c033, 0x9aaa2204, 0x4e6cd4c3,
        0x466482d2, 0x09aa9f07, 0x05d7c214, 0xa2028bd9, 0xd19c12b5, 0xb94e16de, 0xe883d0cb, 0x4e3c50a2};
    const struct hf_arena *arena = hf_arena_get(HF_ARENA_COPY, 1, HF_OPERANDS_FULL);
    unsigned char key[32];
    uint32_t words[16];

    (void)unused;
    for (int i = 0; i < 32; i++)
        key[i] = (unsigned char)i;
    chacha(key, nonce, 1, words);
    assert_memory_equal(words, expected, sizeof expected);
    for (uint32_t block = 0; block < HF_COPY_CHUNK_WORDS / 8; block++) {
        chacha(key, zero, block, words);
        for (uint32_t i = 0; i < 8; i++)
            assert_true(arena->words[8 * block + i] == (words[2 * i] | (uint64_t)words[2 * i + 1] << 32));
    }
}

/* --- closed forms --- */

static void set_u64(mpz_t number, uint64_t value)
{
    mpz_import(number, 1, 1, sizeof value, 0, 0, &value);
}

static uint64_t low_word(const mpz_t number)
{
    mpz_t low;
    uint64_t word = 0;

    mpz_init(low);
    mpz_fdiv_r_2exp(low, number, 64);
    mpz_export(&word, NULL, -1, sizeof word, 0, 0, low);
    mpz_clear(low);
    return word;
}

/* ret = sum of (first + i) mod size for i = 0 .. count - 1. */
static void sum_around(mpz_t ret, uint64_t first, uint64_t count, uint64_t size)
{
    mpz_t around, part, times;
    uint64_t rest = count % size;
    uint64_t head = rest < size - first ? rest : size - first;
    uint64_t tail = rest - head;

    mpz_inits(around, part, times, NULL);
    set_u64(around, size);
    set_u64(times, size - 1);
    mpz_mul(around, around, times);
    mpz_fdiv_q_2exp(around, around, 1); /* a whole way around */
    set_u64(times, count / size);
    mpz_mul(ret, around, times);
    set_u64(part, 2 * first + head - 1); /* an arithmetic series: count times (first + last) / 2 */
    mpz_mul_ui(part, part, head);
    mpz_fdiv_q_2exp(part, part, 1);
    if (head != 0)
        mpz_add(ret, ret, part);
    if (tail != 0) {
        set_u64(part, tail - 1);
        mpz_mul_ui(part, part, tail);
        mpz_fdiv_q_2exp(part, part, 1);
        mpz_add(ret, ret, part);
    }
    mpz_clears(around, part, times, NULL);
}

/* The upper halves and lower halves of upper parts change places; their sum from position `from` on, `count`
 * of them, added up one by one: a way around, so many times, and the rest. */
static uint64_t turned_sum(uint64_t from, uint64_t count, uint64_t size, enum hf_operands operands)
{
    uint64_t around = 0;
    uint64_t rest = 0;

    for (uint64_t t = 0; t < size; t++) {
        uint64_t upper = hf_chase_word(from + t, size - 1, operands) & ~(size - 1);
        uint64_t turned = upper >> 32 | upper << 32;

        around += turned;
        rest += t < count % size ? turned : 0;
    }
    return count / size * around + rest;
}

/* The state of a kernel after n steps is not reachable by stepping for n = 2^40; its words are compared
 * through the digest of a state made here from GMP's numbers. */
static void check_chase(uint64_t seed, uint64_t steps, enum hf_operands operands)
{
    static const uint64_t first[] = {UINT64_C(0x9e3779b97f4a7c15), 0, UINT64_C(1) << 11, UINT64_MAX};
    static const uint64_t step[] = {UINT64_C(0xbf58476d1ce4e5b9), 1, 0, UINT64_MAX};
    const struct hf_kernel *kernel = hf_kernel_find("chase-l1", 0);
    struct hf_chase_state *words = (struct hf_chase_state *)(void *)state;
    uint64_t size = hf_arena_words(1);
    mpz_t sum, term;

    mpz_inits(sum, term, NULL);
    kernel->start(state, operands, seed);
    for (int i = 0; i < HF_CHASE_CHAINS; i++) {
        /* the position of the word that the chain starts with: the one whose successor lies at its low bits
         */
        uint64_t before = (hf_chase_position(words->at[i] & (size - 1), size - 1) - 1) & (size - 1);

        sum_around(sum, before, steps, size);
        set_u64(term, step[operands]);
        mpz_mul(sum, sum, term);
        set_u64(term, first[operands]);
        mpz_addmul_ui(sum, term, steps);
        mpz_mul_ui(sum, sum, size);
        words->sum[i] += i < HF_CHASE_TURNED ? low_word(sum) : turned_sum(before, steps, size, operands);
        words->at[i] = hf_chase_word(before + steps, size - 1, operands);
    }
    words->steps = steps;
    assert_true(kernel->digest(state) == kernel->expect(operands, seed, steps));
    mpz_clears(sum, term, NULL);
}

static void test_chase_closed_form(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 1);
    for (int i = 0; i < LENGTHS; i++)
        check_chase(hf_random_u64(&random), hf_random_below(&random, UINT64_C(1) << (1 + i % 40)),
                    (enum hf_operands)(i % HF_OPERANDS_COUNT));
}

/* copy, from the definition of its sums: a step adds chunk 2 c, then chunk 2 c + 1, tier by tier. With
 * per-chunk sums S and T of the arena as it stands (rows, and rows weighted by tiers left): one(n) = one(0) +
 * sum over steps of (S(2c) + S(2c+1)) two(n) = two(0) + sum over steps of (2 tiers one(before) + tiers S(2c)
 * + T(2c) + T(2c+1)). Stepped by chunks, not by words, and around by adding the ways around up in GMP. */
struct sums {
    mpz_t one, two;
};

static void chunk_sums(const struct hf_arena *arena, uint64_t chunk, uint64_t lane, mpz_t plain,
                       mpz_t weighted)
{
    mpz_t word;

    mpz_init(word);
    mpz_set_ui(plain, 0);
    mpz_set_ui(weighted, 0);
    for (uint64_t row = 0; row < HF_COPY_ROWS; row++) {
        set_u64(word, arena->words[chunk * HF_COPY_CHUNK_WORDS + row * HF_COPY_LANES + lane]);
        mpz_add(plain, plain, word);
        mpz_addmul_ui(weighted, word, HF_COPY_TIERS - row / HF_COPY_TIER);
    }
    mpz_clear(word);
}

static void one_step(const struct hf_arena *arena, uint64_t chunk, uint64_t lane, struct sums *sums)
{
    uint64_t half = (arena->mask + 1) / HF_COPY_CHUNK_WORDS / 2;
    mpz_t plain, weighted;

    mpz_inits(plain, weighted, NULL);
    for (uint64_t odd = 0; odd < 2; odd++) {
        chunk_sums(arena, chunk + odd * half, lane, plain, weighted);
        mpz_addmul_ui(sums->two, sums->one, HF_COPY_TIERS);
        mpz_add(sums->two, sums->two, weighted);
        mpz_add(sums->one, sums->one, plain);
    }
    mpz_clears(plain, weighted, NULL);
}

/* `ways` ways around from chunk `from`: one grows by A a way; two by B + 2 tiers count one a way. */
static void ways_around(const struct hf_arena *arena, uint64_t from, uint64_t ways, uint64_t lane,
                        struct sums *sums)
{
    uint64_t count = (arena->mask + 1) / HF_COPY_CHUNK_WORDS / 2;
    struct sums one_way;
    mpz_t grows, triangle;

    mpz_inits(one_way.one, one_way.two, grows, triangle, NULL);
    for (uint64_t i = 0; i < count; i++)
        one_step(arena, (from + i) % count, lane, &one_way);
    set_u64(triangle, ways);
    mpz_bin_ui(triangle, triangle, 2); /* 0 + 1 + ... + (ways - 1) */
    mpz_mul(grows, one_way.one, triangle);
    mpz_addmul_ui(grows, sums->one, ways);
    mpz_mul_ui(grows, grows, 2 * HF_COPY_TIERS * count);
    mpz_add(sums->two, sums->two, grows);
    mpz_addmul_ui(sums->two, one_way.two, ways);
    mpz_addmul_ui(sums->one, one_way.one, ways);
    mpz_clears(one_way.one, one_way.two, grows, triangle, NULL);
}

static void check_copy(uint64_t seed, uint64_t steps, enum hf_operands operands)
{
    const struct hf_kernel *kernel = hf_kernel_find("copy-l1", 0);
    struct hf_copy_state *words = (struct hf_copy_state *)(void *)state;
    const struct hf_arena *arena = &hf_arenas[HF_ARENA_COPY];
    uint64_t count = hf_arena_words(1) / HF_COPY_CHUNK_WORDS / 2;

    kernel->start(state, operands, seed);
    for (uint64_t lane = 0; lane < HF_COPY_LANES; lane++) {
        struct sums sums;

        mpz_inits(sums.one, sums.two, NULL);
        set_u64(sums.one, words->one[lane]);
        set_u64(sums.two, words->two[lane]);
        ways_around(arena, words->counter % count, steps / count, lane, &sums);
        for (uint64_t i = 0; i < steps % count; i++)
            one_step(arena, (words->counter + i) % count, lane, &sums);
        words->one[lane] = low_word(sums.one);
        words->two[lane] = low_word(sums.two);
        words->due[lane] = words->one[lane];
        chunk_sums(arena, 0, lane, sums.one, sums.two);
        words->plain[lane] = low_word(sums.one);
        mpz_clears(sums.one, sums.two, NULL);
    }
    words->counter += steps;
    assert_true(kernel->digest(state) == kernel->expect(operands, seed, steps));
}

static void test_copy_closed_form(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 2);
    for (int i = 0; i < LENGTHS; i++)
        check_copy(hf_random_u64(&random), hf_random_below(&random, UINT64_C(1) << (1 + i % 40)),
                   (enum hf_operands)(i % HF_OPERANDS_COUNT));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_copy_moves_chacha),
        cmocka_unit_test(test_chase_closed_form),
        cmocka_unit_test(test_copy_closed_form),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
