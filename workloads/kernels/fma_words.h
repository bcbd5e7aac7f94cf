/*
 * What fma-residue (double precision) and fma-single (single precision) share: x -> c x mod p on many lanes
 * at once, and the words that a state is judged by. Everything here is integer arithmetic: the other route.
 *
 * Two kinds of blocks; the seed says which one a block is (hf_residue_is_folded).
 *
 * Plain, three of four. p is the field's prime and c any number below it. The answer is the closed form x0
 * c^n mod p. What it cannot see: a quotient wrong by a whole number leaves the residue right.
 *
 * Folded, one of four. The quotients are summed up, too. For that
 *   - q is not rounded with the same constant in every lane but along a chain: A_0 = M (1.5 x 2^52, in single
 * precision 1.5 x 2^23), A_j+1 = fma(x_j, c/p, A_j), q_j = A_j+1 - A_j. The last A of a chain holds M and the
 * sum of the chain's quotients, all exact, at no cost: the addition is that of the multiply-add which was
 * there anyway. Its raw bits are added, as an integer, to the sum word of its lane within the vector, modulo
 * 2^64 or 2^32; and after each step that sum is added to a second word, the sum of sums.
 *   - no closed form gives that sum (which of two residues next to p/2 is taken hangs on the roundings), so c
 *     is an element of order HF_RESIDUE_PERIOD modulo a second prime: x comes back after HF_RESIDUE_PERIOD
 * steps, and so does everything else. The reference arithmetic steps through one period, in integers, and
 * knows the answer for any number of steps. |x0| < 0.42 p makes it exact: x_n is at most 0.54 p away from 0
 * and x0 +- p at least 0.58 p, so the lane comes back as the same number, not only as the same residue.
 *   - the digest holds each x itself, not its residue.
 * A quotient that is wrong by d where it is subtracted only (not in A) moves the next quotient by -d c, and
 * the one after that not at all; one that is wrong in A as well adds d. So the sum is off by -d c or d (1 -
 * c): not 0 for |d| below 2^63 / p, and never forgotten. But where the next x c / p lies next to half a whole
 * number, the wrong x may also turn the rounding: that quotient is off by -d c - d, the one after it by d c,
 * and all add up to d (1 - c) - d (1 - c) = 0. The sum of sums counts the two one step apart, and is off by d
 * (1 - c). (One planted error in 400 went that way.) At the last step of a block there is no next quotient:
 * then x itself is wrong in the digest.
 *
 * The sums are exact: |q| < 0.29 p, so chains of up to HF_RESIDUE_CHAIN_MAX quotients keep A in the binade of
 * M.
 */
#ifndef HOLDFAST_WORKLOADS_FMA_WORDS_H
#define HOLDFAST_WORKLOADS_FMA_WORDS_H

#include "workloads/arithmetic.h"
#include "workloads/kernels/kernel_code.h"

#define HF_RESIDUE_PERIOD 31

/* The largest primes below 2^50 and 2^21 that are 1 modulo HF_RESIDUE_PERIOD. */
#define HF_RESIDUE_FOLDED_PRIME_50 UINT64_C(1125899906842283) /* 2^50 - 341 */
#define HF_RESIDUE_FOLDED_PRIME_21 UINT64_C(2096407)          /* 2^21 - 745 */

#define HF_RESIDUE_CHAIN_MAX     5
#define HF_RESIDUE_LANES_MAX     256
#define HF_RESIDUE_FOLDS_MAX     16
#define HF_RESIDUE_SINGLES       3 /* words beside lanes and folds: multiplier, mode, flaw */
#define HF_RESIDUE_WORDS_MAX     (HF_RESIDUE_LANES_MAX + 2 * HF_RESIDUE_FOLDS_MAX + HF_RESIDUE_SINGLES)
#define HF_RESIDUE_BLOCKS_A_FOLD 4 /* one block in so many is folded */
#define HF_RESIDUE_MODE_FOLDED   UINT64_C(1)

/* Multiply and multiply-add instructions, and floating-point operations, of one modular multiplication. */
#define HF_RESIDUE_OPERATIONS 4
#define HF_RESIDUE_FLOPS      9

struct hf_residue_field {
    uint64_t prime;        /* of plain blocks */
    uint64_t folded_prime; /* of folded blocks: 1 modulo HF_RESIDUE_PERIOD */
    uint64_t folded_root;  /* of order HF_RESIDUE_PERIOD */
    int bits;              /* of the primes */
    int mantissa_bits;     /* of the elements: bits + 3 */
    uint64_t magic_bits;   /* M as an element's bits */
    uint64_t fold_mask;    /* as many bits as an element has */
};

extern const struct hf_residue_field hf_residue_double_field, hf_residue_single_field;

/* A property of (name, width), so that every entry of it gives the same digests. */
struct hf_residue_shape {
    const struct hf_residue_field *field;
    int lanes;
    int vector_lanes; /* sums: lane i is folded into sum i modulo vector_lanes */
    int chain;        /* vectors a chain; divides lanes / vector_lanes */
};

/* Words of a state: `lanes` x, the multiplier, the mode, vector_lanes sums and as many sums of sums, the flaw
 * word (0 when all is well). Plain: x in [0, p), sums 0. Folded: x + 2^62. */
static inline int hf_residue_word_count(const struct hf_residue_shape *shape)
{
    return shape->lanes + 2 * shape->vector_lanes + HF_RESIDUE_SINGLES;
}

/* Which kind: what the seed says, or one kind always (bench and tests). */
enum hf_residue_kind {
    HF_RESIDUE_BY_SEED,
    HF_RESIDUE_FOLDED
};

int hf_residue_is_folded(uint64_t seed);

/* What a block starts from. */
struct hf_residue_begin {
    int folded;
    uint64_t prime;
    int64_t multiplier; /* between -p/2 and p/2, like the lanes */
    int64_t lane[HF_RESIDUE_LANES_MAX];
};

void hf_residue_begin(const struct hf_residue_shape *shape, enum hf_residue_kind kind,
                      enum hf_operands operands, uint64_t seed, struct hf_residue_begin *ret_begin);

/* The words after n steps. */
void hf_residue_expect_words(const struct hf_residue_shape *shape, enum hf_residue_kind kind,
                             enum hf_operands operands, uint64_t seed, uint64_t steps, uint64_t *ret_words);
uint64_t hf_residue_expect(const struct hf_residue_shape *shape, enum hf_residue_kind kind,
                           enum hf_operands operands, uint64_t seed, uint64_t steps);

/* The word of a lane, and of the multiplier: x is any double. */
uint64_t hf_residue_word_of(double x, uint64_t prime, int folded);

/* fl(c / p) as mantissa x 2^-shift, with its sign. */
struct hf_residue_ratio {
    int64_t mantissa;
    int shift;
};

#define HF_RESIDUE_SHIFT_MAX 103 /* the least ratio is 1 / 2^50, and a mantissa has 53 bits */

/* Long division bit by bit, in integers; mantissa_bits bits, rounded to nearest (p is odd, so there are no
 * ties). A multiplier that cannot be gives some ratio, but the search ends. */
HF_INLINE struct hf_residue_ratio hf_residue_ratio(const struct hf_residue_field *field, int64_t multiplier,
                                                   uint64_t prime)
{
    uint64_t rest = multiplier < 0 ? 0 - (uint64_t)multiplier : (uint64_t)multiplier;
    uint64_t mantissa = 0;
    int shift = 0;

    while (shift < HF_RESIDUE_SHIFT_MAX && mantissa < UINT64_C(1) << (field->mantissa_bits - 1)) {
        uint64_t bit;

        rest <<= 1;
        bit = rest >= prime;
        rest -= bit * prime;
        mantissa = mantissa << 1 | bit;
        shift++;
    }
    mantissa += 2 * rest > prime;
    return (struct hf_residue_ratio){multiplier < 0 ? -(int64_t)mantissa : (int64_t)mantissa, shift};
}

/* round(x mantissa / 2^shift), ties so that the sum with `before` (A less M) is even. */
HF_INLINE int64_t hf_residue_quotient(int64_t x, struct hf_residue_ratio ratio, int64_t before)
{
    hf_i128 product = (hf_i128)x * ratio.mantissa;
    hf_u128 one = (hf_u128)1 << ratio.shift;
    hf_u128 rest = (hf_u128)product & (one - 1);
    hf_u128 half = one >> 1;
    int64_t below = (int64_t)(product >> ratio.shift);

    return below + (rest > half || (rest == half && half != 0 && ((before ^ below) & 1)));
}

/* One folded step of all lanes, in integers. magic: M for each chain. */
HF_INLINE void hf_residue_folded_step(int64_t *lane, int lanes, int vector_lanes, int chain,
                                      int64_t multiplier, uint64_t prime, struct hf_residue_ratio ratio,
                                      uint64_t magic, uint64_t *sum, uint64_t *sum_of_sums)
{
    for (int first = 0; first < lanes; first += vector_lanes * chain) {
        for (int l = 0; l < vector_lanes; l++) {
            int64_t total = 0;

            for (int i = first + l; i < first + vector_lanes * chain; i += vector_lanes) {
                int64_t q = hf_residue_quotient(lane[i], ratio, total);

                total = (int64_t)((uint64_t)total + (uint64_t)q);
                lane[i] = (int64_t)((uint64_t)lane[i] * (uint64_t)multiplier - (uint64_t)q * prime);
            }
            sum[l] += (uint64_t)total;
        }
    }
    for (int l = 0; l < vector_lanes; l++) {
        sum[l] += magic;
        sum_of_sums[l] += sum[l];
    }
}

/* --- the plain C entries: their state is integers for either precision --- */
struct hf_residue_integer_state {
    uint64_t multiplier; /* residue, or as signed number in folded blocks */
    uint64_t mode;
    uint64_t flaw;
    uint64_t unused[5];
    uint64_t sum[HF_RESIDUE_FOLDS_MAX];
    uint64_t sum_of_sums[HF_RESIDUE_FOLDS_MAX];
    uint64_t lane[];
};

#define HF_RESIDUE_INTEGER_STATE_BYTES(lanes)                                                                \
    (64 + 16 * HF_RESIDUE_FOLDS_MAX + (((size_t)(lanes)*8 + 63) & ~(size_t)63))

void hf_residue_integer_start(struct hf_residue_integer_state *state, const struct hf_residue_shape *shape,
                              enum hf_residue_kind kind, enum hf_operands operands, uint64_t seed);
uint64_t hf_residue_integer_digest(const struct hf_residue_integer_state *state,
                                   const struct hf_residue_shape *shape);
void hf_residue_integer_locate(const struct hf_residue_integer_state *state,
                               const struct hf_residue_shape *shape, enum hf_residue_kind kind,
                               enum hf_operands operands, uint64_t seed, uint64_t steps,
                               struct hf_lane_report *ret_report);
void hf_residue_integer_plant(struct hf_residue_integer_state *state, const struct hf_residue_shape *shape,
                              uint64_t bit);

/* --- states of the vector entries --- */
struct hf_residue_state {
    double multiplier;
    uint64_t mode;
    uint64_t flaw; /* what the check of constants and counts at the end of each burst found */
    uint64_t unused[5];
    uint64_t sum[8]; /* in single precision 16 words of 32 bits */
    uint64_t sum_of_sums[8];
    double lane[]; /* |x| <= 0.625 p; in single precision these are floats */
};

#define HF_RESIDUE_STATE_BYTES(lanes, element_bytes)                                                         \
    (192 + (((size_t)(lanes) * (element_bytes) + 63) & ~(size_t)63))
#define HF_RESIDUE_LIVE_BITS(lanes, vector_lanes, element_bytes)                                             \
    (64 * HF_RESIDUE_SINGLES + 8 * (element_bytes) * ((lanes) + 2 * (vector_lanes)))

void hf_residue_vector_start(struct hf_residue_state *state, const struct hf_residue_shape *shape,
                             enum hf_residue_kind kind, enum hf_operands operands, uint64_t seed);
uint64_t hf_residue_vector_digest(const struct hf_residue_state *state, const struct hf_residue_shape *shape);
void hf_residue_vector_locate(const struct hf_residue_state *state, const struct hf_residue_shape *shape,
                              enum hf_residue_kind kind, enum hf_operands operands, uint64_t seed,
                              uint64_t steps, struct hf_lane_report *ret_report);
void hf_residue_vector_plant(struct hf_residue_state *state, const struct hf_residue_shape *shape,
                             uint64_t bit);

#endif
