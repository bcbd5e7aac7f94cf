/* fma-residue and fma-single: starting values, expected words, plain C entries' and vector entries' states.
 * See fma_words.h. */
#include <string.h>

#include "workloads/kernels/fma_residue.h"
#include "workloads/kernels/fma_single.h"

#define OFFSET       (INT64_C(1) << 62) /* of a folded lane's word */
#define KIND_WORD    UINT64_C(0x666f6c64)
#define MAGIC_DOUBLE UINT64_C(0x4338000000000000) /* 1.5 x 2^52 */
#define MAGIC_SINGLE UINT64_C(0x4b400000)         /* 1.5 x 2^23 */

/* The roots are 2^((p - 1) / 31). */
const struct hf_residue_field hf_residue_double_field = {
    .prime = HF_PRIME_50,
    .folded_prime = HF_RESIDUE_FOLDED_PRIME_50,
    .folded_root = UINT64_C(194094560734080),
    .bits = 50,
    .mantissa_bits = 53,
    .magic_bits = MAGIC_DOUBLE,
    .fold_mask = UINT64_MAX,
};

const struct hf_residue_field hf_residue_single_field = {
    .prime = HF_PRIME_21,
    .folded_prime = HF_RESIDUE_FOLDED_PRIME_21,
    .folded_root = 840347,
    .bits = 21,
    .mantissa_bits = 24,
    .magic_bits = MAGIC_SINGLE,
    .fold_mask = UINT32_MAX,
};

#define SHAPE(name, field, lanes, vector_lanes, chain)                                                       \
    const struct hf_residue_shape name = {&field, lanes, vector_lanes, chain};                               \
    _Static_assert((chain) <= HF_RESIDUE_CHAIN_MAX && (lanes) % ((vector_lanes) * (chain)) == 0 &&           \
                       (lanes) <= HF_RESIDUE_LANES_MAX && (vector_lanes) <= HF_RESIDUE_FOLDS_MAX,            \
                   "whole chains")

SHAPE(hf_fma_residue_shape_128, hf_residue_double_field, HF_FMA_LANES_128, 2, 5);
SHAPE(hf_fma_residue_shape_256, hf_residue_double_field, HF_FMA_LANES_256, 4, 5);
SHAPE(hf_fma_residue_shape_512, hf_residue_double_field, HF_FMA_LANES_512, 8, 4);
SHAPE(hf_fma_single_shape_128, hf_residue_single_field, HF_FMA_SINGLE_LANES_128, 4, 5);
SHAPE(hf_fma_single_shape_256, hf_residue_single_field, HF_FMA_SINGLE_LANES_256, 8, 5);
SHAPE(hf_fma_single_shape_512, hf_residue_single_field, HF_FMA_SINGLE_LANES_512, 16, 4);

/* --- starting values --- */

int hf_residue_is_folded(uint64_t seed)
{
    return hf_seed_word(seed, KIND_WORD) % HF_RESIDUE_BLOCKS_A_FOLD == 0;
}

/* In [1, p). */
static uint64_t start_word(const struct hf_residue_field *field, enum hf_operands operands, uint64_t word)
{
    unsigned half = (unsigned)field->bits / 2;
    unsigned run = (unsigned)field->bits - 10 + (unsigned)(word % 10);

    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return 3 + word % 1021;
    case HF_OPERANDS_SPARSE: /* two bits set */
        return UINT64_C(1) << (word & 31) % half | UINT64_C(1) << (half + (word >> 8) % (half - 1));
    case HF_OPERANDS_CARRY: /* a run of ones, as long as the range has room for: products carry far */
        return (UINT64_C(1) << run) - 1 - ((word >> 8) & 1);
    default:
        return 1 + word % (field->prime - 1);
    }
}

static int64_t balanced(uint64_t residue, uint64_t prime)
{
    return residue > prime / 2 ? -(int64_t)(prime - residue) : (int64_t)residue;
}

/* |x| < 0.42 p, and not 0. */
static int64_t folded_lane(uint64_t residue, uint64_t prime)
{
    int64_t x = balanced(residue % prime, prime);
    int64_t limit = (int64_t)(prime / 100 * 42);

    if (x > limit || x < -limit)
        return x / 2;
    return x != 0 ? x : 1;
}

void hf_residue_begin(const struct hf_residue_shape *shape, enum hf_residue_kind kind,
                      enum hf_operands operands, uint64_t seed, struct hf_residue_begin *ret_begin)
{
    const struct hf_residue_field *field = shape->field;
    uint64_t word = hf_seed_word(seed, (uint64_t)shape->lanes);
    int folded = kind == HF_RESIDUE_FOLDED || hf_residue_is_folded(seed);
    uint64_t prime = folded ? field->folded_prime : field->prime;
    uint64_t c = folded ? hf_power_mod(field->folded_root, 1 + word % (HF_RESIDUE_PERIOD - 1), prime)
                        : start_word(field, operands, word);

    ret_begin->folded = folded;
    ret_begin->prime = prime;
    ret_begin->multiplier = balanced(c, prime);
    for (int i = 0; i < shape->lanes; i++) {
        uint64_t residue = start_word(field, operands, hf_seed_word(seed, (uint64_t)i));

        ret_begin->lane[i] = folded ? folded_lane(residue, prime) : balanced(residue, prime);
    }
}

/* --- words --- */

static uint64_t residue_of(int64_t x, uint64_t prime)
{
    return x < 0 ? (uint64_t)x + prime : (uint64_t)x;
}

static uint64_t word_of_whole(int64_t x, uint64_t prime, int folded)
{
    return folded ? (uint64_t)(x + OFFSET) : residue_of(x, prime);
}

uint64_t hf_residue_word_of(double x, uint64_t prime, int folded)
{
    double range = 0.625 * (double)prime;

    if (x >= -range && x <= range && x == (double)(int64_t)x)
        return word_of_whole((int64_t)x, prime, folded);
    return hf_bits_of_double(x) | HF_WORD_IMPOSSIBLE;
}

/* a b mod prime: a 128-bit division takes much longer than one of 64 bits. */
static uint64_t product_mod(uint64_t a, uint64_t b, uint64_t prime)
{
    return prime <= UINT32_MAX ? a * b % prime : hf_multiply_mod(a, b, prime);
}

static void plain_words(const struct hf_residue_shape *shape, const struct hf_residue_begin *begin,
                        uint64_t steps, uint64_t *ret_words)
{
    uint64_t prime = begin->prime;
    uint64_t power = hf_power_mod(residue_of(begin->multiplier, prime), steps, prime);

    for (int i = 0; i < shape->lanes; i++)
        ret_words[i] = product_mod(residue_of(begin->lane[i], prime), power, prime);
    memset(ret_words + shape->lanes + 2, 0, 2 * (size_t)shape->vector_lanes * sizeof ret_words[0]);
}

/* One period. What is added up holds the chains' M, as the vector entries' raw bits do. */
struct period {
    int64_t lane[HF_RESIDUE_LANES_MAX]; /* after the steps beyond whole periods */
    uint64_t part_sum[HF_RESIDUE_FOLDS_MAX], part_sums[HF_RESIDUE_FOLDS_MAX];
    uint64_t whole_sum[HF_RESIDUE_FOLDS_MAX], whole_sums[HF_RESIDUE_FOLDS_MAX];
};

static void period_run(const struct hf_residue_shape *shape, struct hf_residue_begin *begin, uint64_t rest,
                       int whole_too, struct period *ret_period)
{
    struct hf_residue_ratio ratio = hf_residue_ratio(shape->field, begin->multiplier, begin->prime);
    uint64_t magic = (uint64_t)(shape->lanes / shape->vector_lanes / shape->chain) * shape->field->magic_bits;
    uint64_t steps = whole_too ? HF_RESIDUE_PERIOD : rest;
    uint64_t *sum = ret_period->whole_sum;
    uint64_t *sums = ret_period->whole_sums;

    memset(ret_period, 0, sizeof *ret_period);
    for (uint64_t done = 0;; done++) {
        if (done == rest) {
            memcpy(ret_period->lane, begin->lane, (size_t)shape->lanes * sizeof begin->lane[0]);
            memcpy(ret_period->part_sum, sum, sizeof ret_period->part_sum);
            memcpy(ret_period->part_sums, sums, sizeof ret_period->part_sums);
        }
        if (done == steps)
            break;
        hf_residue_folded_step(begin->lane, shape->lanes, shape->vector_lanes, shape->chain,
                               begin->multiplier, begin->prime, ratio, magic, sum, sums);
    }
}

/* 0 + 1 + ... + (n - 1) modulo 2^64 */
static uint64_t triangle(uint64_t n)
{
    return n % 2 == 0 ? n / 2 * (n - 1) : (n - 1) / 2 * n;
}

/* After whole periods a and `rest` steps: sum = a W + part; the sum of sums gets a period's own and R times
 * what had been summed up before it, for each period, and likewise for the rest. */
static void folded_words(const struct hf_residue_shape *shape, struct hf_residue_begin *begin, uint64_t steps,
                         uint64_t *ret_words)
{
    uint64_t *sums = ret_words + shape->lanes + 2;
    uint64_t mask = shape->field->fold_mask;
    uint64_t whole = steps / HF_RESIDUE_PERIOD;
    uint64_t rest = steps % HF_RESIDUE_PERIOD;
    struct period period;

    period_run(shape, begin, rest, whole != 0, &period);
    for (int i = 0; i < shape->lanes; i++)
        ret_words[i] = word_of_whole(period.lane[i], begin->prime, 1);
    for (int l = 0; l < shape->vector_lanes; l++) {
        sums[l] = (whole * period.whole_sum[l] + period.part_sum[l]) & mask;
        sums[shape->vector_lanes + l] =
            (whole * period.whole_sums[l] + HF_RESIDUE_PERIOD * triangle(whole) * period.whole_sum[l] +
             period.part_sums[l] + rest * whole * period.whole_sum[l]) &
            mask;
    }
}

void hf_residue_expect_words(const struct hf_residue_shape *shape, enum hf_residue_kind kind,
                             enum hf_operands operands, uint64_t seed, uint64_t steps, uint64_t *ret_words)
{
    struct hf_residue_begin begin;

    hf_residue_begin(shape, kind, operands, seed, &begin);
    ret_words[shape->lanes] = word_of_whole(begin.multiplier, begin.prime, begin.folded);
    ret_words[shape->lanes + 1] = begin.folded ? HF_RESIDUE_MODE_FOLDED : 0;
    ret_words[hf_residue_word_count(shape) - 1] = 0;
    if (begin.folded)
        folded_words(shape, &begin, steps, ret_words);
    else
        plain_words(shape, &begin, steps, ret_words);
}

uint64_t hf_residue_expect(const struct hf_residue_shape *shape, enum hf_residue_kind kind,
                           enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    uint64_t words[HF_RESIDUE_WORDS_MAX];

    hf_residue_expect_words(shape, kind, operands, seed, steps, words);
    return hf_words_fold(words, hf_residue_word_count(shape));
}

/* --- states of the plain C entries --- */

static uint64_t prime_of(const struct hf_residue_field *field, uint64_t mode)
{
    return mode & HF_RESIDUE_MODE_FOLDED ? field->folded_prime : field->prime;
}

static uint64_t integer_word(uint64_t value, uint64_t prime, int folded)
{
    if (folded) /* the range of a whole number that is a double's */
        return value + (UINT64_C(1) << 50) < UINT64_C(1) << 51 ? value + (uint64_t)OFFSET
                                                               : value | HF_WORD_IMPOSSIBLE;
    return value < prime ? value : value | HF_WORD_IMPOSSIBLE;
}

static void integer_words(const struct hf_residue_integer_state *state, const struct hf_residue_shape *shape,
                          uint64_t *ret_words)
{
    uint64_t prime = prime_of(shape->field, state->mode);
    int folded = (state->mode & HF_RESIDUE_MODE_FOLDED) != 0;

    for (int i = 0; i < shape->lanes; i++)
        ret_words[i] = integer_word(state->lane[i], prime, folded);
    ret_words[shape->lanes] = integer_word(state->multiplier, prime, folded);
    ret_words[shape->lanes + 1] = state->mode;
    memcpy(ret_words + shape->lanes + 2, state->sum, (size_t)shape->vector_lanes * sizeof state->sum[0]);
    memcpy(ret_words + shape->lanes + 2 + shape->vector_lanes, state->sum_of_sums,
           (size_t)shape->vector_lanes * sizeof state->sum_of_sums[0]);
    ret_words[hf_residue_word_count(shape) - 1] = state->flaw;
}

void hf_residue_integer_start(struct hf_residue_integer_state *state, const struct hf_residue_shape *shape,
                              enum hf_residue_kind kind, enum hf_operands operands, uint64_t seed)
{
    struct hf_residue_begin begin;

    hf_residue_begin(shape, kind, operands, seed, &begin);
    memset(state, 0, sizeof *state);
    state->mode = begin.folded ? HF_RESIDUE_MODE_FOLDED : 0;
    state->multiplier = begin.folded ? (uint64_t)begin.multiplier : residue_of(begin.multiplier, begin.prime);
    for (int i = 0; i < shape->lanes; i++)
        state->lane[i] = begin.folded ? (uint64_t)begin.lane[i] : residue_of(begin.lane[i], begin.prime);
}

uint64_t hf_residue_integer_digest(const struct hf_residue_integer_state *state,
                                   const struct hf_residue_shape *shape)
{
    uint64_t words[HF_RESIDUE_WORDS_MAX];

    integer_words(state, shape, words);
    return hf_words_fold(words, hf_residue_word_count(shape));
}

void hf_residue_integer_locate(const struct hf_residue_integer_state *state,
                               const struct hf_residue_shape *shape, enum hf_residue_kind kind,
                               enum hf_operands operands, uint64_t seed, uint64_t steps,
                               struct hf_lane_report *ret_report)
{
    uint64_t expected[HF_RESIDUE_WORDS_MAX];
    uint64_t got[HF_RESIDUE_WORDS_MAX];

    hf_residue_expect_words(shape, kind, operands, seed, steps, expected);
    integer_words(state, shape, got);
    hf_words_compare(expected, got, hf_residue_word_count(shape), ret_report);
}

void hf_residue_integer_plant(struct hf_residue_integer_state *state, const struct hf_residue_shape *shape,
                              uint64_t bit)
{
    int index = (int)(bit / 64 % (uint64_t)hf_residue_word_count(shape));
    uint64_t mask = UINT64_C(1) << bit % 64;
    int fold = index - shape->lanes - 2;

    if (index < shape->lanes)
        state->lane[index] ^= mask;
    else if (index == shape->lanes)
        state->multiplier ^= mask;
    else if (index == shape->lanes + 1)
        state->mode ^= mask;
    else if (fold < shape->vector_lanes)
        state->sum[fold] ^= mask;
    else if (fold < 2 * shape->vector_lanes)
        state->sum_of_sums[fold - shape->vector_lanes] ^= mask;
    else
        state->flaw ^= mask;
}

/* --- states of the vector entries --- */

static int is_single(const struct hf_residue_shape *shape)
{
    return shape->field->mantissa_bits == 24;
}

static uint64_t fold_word(const void *folds, const struct hf_residue_shape *shape, int l)
{
    return is_single(shape) ? ((const uint32_t *)folds)[l] : ((const uint64_t *)folds)[l];
}

static void vector_words(const struct hf_residue_state *state, const struct hf_residue_shape *shape,
                         uint64_t *ret_words)
{
    uint64_t prime = prime_of(shape->field, state->mode);
    int folded = (state->mode & HF_RESIDUE_MODE_FOLDED) != 0;
    const float *single = (const void *)state->lane;
    uint64_t *sums = ret_words + shape->lanes + 2;

    for (int i = 0; i < shape->lanes; i++)
        ret_words[i] =
            hf_residue_word_of(is_single(shape) ? (double)single[i] : state->lane[i], prime, folded);
    ret_words[shape->lanes] = hf_residue_word_of(state->multiplier, prime, folded);
    ret_words[shape->lanes + 1] = state->mode;
    for (int l = 0; l < shape->vector_lanes; l++) {
        sums[l] = fold_word(state->sum, shape, l);
        sums[shape->vector_lanes + l] = fold_word(state->sum_of_sums, shape, l);
    }
    ret_words[hf_residue_word_count(shape) - 1] = state->flaw;
}

void hf_residue_vector_start(struct hf_residue_state *state, const struct hf_residue_shape *shape,
                             enum hf_residue_kind kind, enum hf_operands operands, uint64_t seed)
{
    struct hf_residue_begin begin;
    float *single = (void *)state->lane;

    hf_residue_begin(shape, kind, operands, seed, &begin);
    memset(state, 0, sizeof *state);
    state->mode = begin.folded ? HF_RESIDUE_MODE_FOLDED : 0;
    state->multiplier = (double)begin.multiplier;
    for (int i = 0; i < shape->lanes; i++) {
        if (is_single(shape))
            single[i] = (float)begin.lane[i];
        else
            state->lane[i] = (double)begin.lane[i];
    }
}

uint64_t hf_residue_vector_digest(const struct hf_residue_state *state, const struct hf_residue_shape *shape)
{
    uint64_t words[HF_RESIDUE_WORDS_MAX];

    vector_words(state, shape, words);
    return hf_words_fold(words, hf_residue_word_count(shape));
}

void hf_residue_vector_locate(const struct hf_residue_state *state, const struct hf_residue_shape *shape,
                              enum hf_residue_kind kind, enum hf_operands operands, uint64_t seed,
                              uint64_t steps, struct hf_lane_report *ret_report)
{
    uint64_t expected[HF_RESIDUE_WORDS_MAX];
    uint64_t got[HF_RESIDUE_WORDS_MAX];

    hf_residue_expect_words(shape, kind, operands, seed, steps, expected);
    vector_words(state, shape, got);
    hf_words_compare(expected, got, hf_residue_word_count(shape), ret_report);
}

/* Bytes of the lanes, of the sums, of the sums of sums, and of the three other words, in this order. */
void hf_residue_vector_plant(struct hf_residue_state *state, const struct hf_residue_shape *shape,
                             uint64_t bit)
{
    uint64_t element = is_single(shape) ? 4 : 8;
    uint64_t lane_bytes = element * (uint64_t)shape->lanes;
    uint64_t sum_bytes = element * (uint64_t)shape->vector_lanes;
    uint64_t byte = bit / 8 % (lane_bytes + 2 * sum_bytes + 8 * HF_RESIDUE_SINGLES);
    unsigned char *place;

    if (byte < lane_bytes)
        place = (unsigned char *)state->lane + byte;
    else if (byte < lane_bytes + sum_bytes)
        place = (unsigned char *)state->sum + (byte - lane_bytes);
    else if (byte < lane_bytes + 2 * sum_bytes)
        place = (unsigned char *)state->sum_of_sums + (byte - lane_bytes - sum_bytes);
    else /* multiplier, mode, flaw: one after the other, at the state's begin */
        place = (unsigned char *)state + (byte - lane_bytes - 2 * sum_bytes);
    *place = (unsigned char)(*place ^ 1u << bit % 8);
}
