/*
 * branch: data-dependent branches. Plain C is its only form.
 *
 * Small jobs whose answers are known; a step is 1 or 2 in turn, and 3:
 *   1. sieve: marks composites in a window of 2000 numbers below 10^6 and counts and adds up the primes left
 *      over. Known: a table made by trial division, anchored by pi(10^6) = 78498.
 *   2. sort: 64 keys, a permutation drawn from the present value, are sorted (Shell 1959, gaps of Ciura
 *      2001). Known: the identity; every position goes into a hash.
 *   3. interpreter: a small program of byte codes computes value -> m value + k modulo 2^64 by shift and add,
 *      branching on the value's bits. Known: affine jump-ahead.
 *
 * The answer of 1 or 2 goes into the fold: fold -> A fold + answer, a bijection; with right answers its value
 * after n steps is known by jump-ahead over whole cycles of 1000 positions.
 *
 * Words of a state: fold, value, position, m, k, flaw. The flags and keys live only within a step.
 *
 * Masked errors, and what catches them:
 *   - a wrong branch that ends in the same place (a composite marked twice, two equal compares): not an
 *     error.
 *   - two wrong flags in one window that leave count and sum as they were: not from one error.
 *   - keys that become another permutation: each key is computed on its own, so a single error makes a
 *     duplicate, which no sort turns into the identity.
 *   - the position decides the window: reduced modulo 1000 before use, and its own word in the digest.
 *     Indices and loop bounds come from loop counters only; what is computed decides nothing but branches.
 *
 * Why it has no limit loop: what bounds it is how often the predictor is wrong, and a loop that is wrong as
 * often on the same decisions would be this kernel. Measured on a Zen 5 core (2026, gcc 12, cycles by a chain
 * of additions): a coin-flip branch in a bare loop takes 15.6 cycles where the same branch with a known
 * outcome takes 5.9, so a misprediction costs some 19. A sort of new keys takes 6590 cycles and one of the
 * same keys over and over, which the predictor learns, 1180: 82 % of the sort is mispredictions, about 280 of
 * them. The interpreter: 2020 cycles, and 970 on one value: 52 %. The sieve (11400 cycles) is bound by its
 * stores; only its last scan is unpredictable.
 */
#include <assert.h>
#include <string.h>

#include "holdfast/random.h"
#include "workloads/arithmetic.h"
#include "workloads/kernels/branch.h"
#include "workloads/kernels/kernel_code.h"

#define FLAGS        (HF_BRANCH_WINDOW_SIZE / 2)  /* odd numbers */
#define SMALL_FLAGS  500                          /* odd numbers below 1000 */
#define HASH_ODD     UINT64_C(0xd1342543de82ef95) /* 5 mod 8 (Steele and Vigna 2021, table 5) */
#define WORDS        6
#define PROGRAM_SIZE 8
#define CYCLE        (2 * HF_BRANCH_WINDOWS) /* even positions sieve a window, odd ones sort */

struct branch_state {
    uint64_t fold;
    uint64_t value;
    uint64_t position;
    uint64_t multiplier;
    uint64_t increment;
    uint64_t flaw;
    uint64_t unused[2];
    uint8_t flag[FLAGS + 24];
    uint8_t small_flag[SMALL_FLAGS + 12];
    uint16_t key[HF_BRANCH_KEYS];
};

_Static_assert(sizeof(struct branch_state) % 64 == 0, "states are laid side by side");

/* Keeps the compiler from turning a branch into a conditional move or a vector compare. */
#define KEEP_BRANCH() __asm__ volatile("")

/* --- 1. sieve --- */

/* Number 2 i + 1 is composite when flag[i] is set; the primes below 1000 come first, as the window needs
 * them. */
HF_INLINE void sieve_small(uint8_t flag[SMALL_FLAGS])
{
    for (uint32_t i = 0; i < SMALL_FLAGS; i++)
        flag[i] = i == 0;
    for (uint32_t i = 1; i <= 15; i++) { /* 31^2 < 1000 < 33^2 */
        if (flag[i] != 0)
            continue;
        for (uint32_t j = 2 * i * (i + 1); j < SMALL_FLAGS; j += 2 * i + 1)
            flag[j] = 1;
    }
}

/* First odd multiple of the odd number p, at least p^2 and at least base, as an index of the window. */
HF_INLINE uint32_t first_index(uint32_t p, uint32_t base)
{
    uint32_t multiple = (base + p - 1) / p;

    multiple |= 1;
    if (multiple < p)
        multiple = p;
    return (multiple * p - base) / 2;
}

HF_INLINE uint64_t sieve_window(struct branch_state *state, uint32_t window)
{
    uint32_t base = window * HF_BRANCH_WINDOW_SIZE;
    uint64_t count = window == 0; /* the prime 2 */
    uint64_t sum = window == 0 ? 2 : 0;

    sieve_small(state->small_flag);
    for (uint32_t i = 0; i < FLAGS; i++)
        state->flag[i] = 0;
    state->flag[0] = window == 0; /* 1 is no prime */
    for (uint32_t i = 1; i < SMALL_FLAGS; i++) {
        if (state->small_flag[i] != 0)
            continue;
        for (uint32_t j = first_index(2 * i + 1, base); j < FLAGS; j += 2 * i + 1)
            state->flag[j] = 1;
    }
    for (uint32_t i = 0; i < FLAGS; i++) {
        if (state->flag[i] == 0) {
            KEEP_BRANCH();
            count++;
            sum += base + 2 * i + 1;
        }
    }
    return sum << 16 | (count & 0xffff);
}

/* --- 2. sort --- */

/* A bijection of 0 .. 63 for any value: affine, xor with a shift, affine. */
HF_INLINE uint32_t permuted(uint32_t index, uint64_t value)
{
    uint32_t key = (index * ((uint32_t)value | 1) + (uint32_t)(value >> 16)) % HF_BRANCH_KEYS;

    key ^= key >> 3;
    return (key * ((uint32_t)(value >> 32) | 1) + (uint32_t)(value >> 48)) % HF_BRANCH_KEYS;
}

HF_INLINE uint64_t sort_permutation(uint16_t key[HF_BRANCH_KEYS], uint64_t value)
{
    static const uint32_t gaps[] = {23, 10, 4, 1};
    uint64_t hash = 0;

    for (uint32_t i = 0; i < HF_BRANCH_KEYS; i++)
        key[i] = (uint16_t)permuted(i, value);
    for (int g = 0; g < 4; g++) {
        uint32_t gap = gaps[g];

        for (uint32_t i = gap; i < HF_BRANCH_KEYS; i++) {
            uint16_t moving = key[i];
            uint32_t j = i;

            while (j >= gap && key[j - gap] > moving) {
                key[j] = key[j - gap];
                j -= gap;
            }
            key[j] = moving;
        }
    }
    for (uint32_t i = 0; i < HF_BRANCH_KEYS; i++)
        hash = (hash + key[i]) * HASH_ODD;
    return hash;
}

/* --- 3. interpreter --- */

enum code {
    SKIP_IF_EVEN,
    ADD_SHIFTED,
    DOUBLE_SHIFTED,
    HALVE_BITS,
    AGAIN,
    ADD_INCREMENT,
    STOP
};

HF_INLINE uint64_t interpret(uint64_t value, uint64_t multiplier, uint64_t increment)
{
    static const uint8_t program[PROGRAM_SIZE] = {SKIP_IF_EVEN, ADD_SHIFTED,   DOUBLE_SHIFTED, HALVE_BITS,
                                                  AGAIN,        ADD_INCREMENT, STOP,           STOP};
    uint64_t bits = value;
    uint64_t shifted = multiplier;
    uint64_t sum = 0;
    uint32_t turns_left = 64;
    uint32_t at = 0;

    for (uint32_t fuel = 0; fuel < 64 * 5 + 2; fuel++) {
        switch (program[at % PROGRAM_SIZE]) {
        case SKIP_IF_EVEN:
            if ((bits & 1) == 0) {
                KEEP_BRANCH();
                at++;
            }
            break;
        case ADD_SHIFTED:
            sum += shifted;
            break;
        case DOUBLE_SHIFTED:
            shifted += shifted;
            break;
        case HALVE_BITS:
            bits >>= 1;
            break;
        case AGAIN:
            if (--turns_left != 0) {
                at = 0;
                continue;
            }
            break;
        case ADD_INCREMENT:
            sum += increment;
            break;
        default:
            return sum;
        }
        at++;
    }
    return sum;
}

HF_KERNEL_CODE static void branch_advance(void *opaque_state, uint64_t steps)
{
    struct branch_state *state = opaque_state;
    uint64_t up = 0;
    uint64_t down = steps;

    while (up < steps && down != 0) {
        uint32_t job = (uint32_t)(state->position % CYCLE);
        uint64_t answer;

        if (job % 2 == 0)
            answer = sieve_window(state, job / 2);
        else
            answer = sort_permutation(state->key, state->value);
        state->fold = state->fold * HASH_ODD + answer;
        state->value = interpret(state->value, state->multiplier, state->increment);
        state->position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down;
}

/* --- start and closed form --- */

static uint64_t value_word(enum hf_operands operands, uint64_t word)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return word % 65536;
    case HF_OPERANDS_SPARSE:
        return UINT64_C(1) << word % 64;
    case HF_OPERANDS_CARRY:
        return UINT64_MAX >> word % 32;
    default:
        return word;
    }
}

static struct hf_affine value_map(enum hf_operands operands)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return (struct hf_affine){5, 3};
    case HF_OPERANDS_SPARSE:
        return (struct hf_affine){(UINT64_C(1) << 41) + 5, (UINT64_C(1) << 20) + 1};
    case HF_OPERANDS_CARRY:
        return (struct hf_affine){UINT64_C(0xfffffffffffffffd), UINT64_C(0x7fffffffffffffff)};
    default:
        return (struct hf_affine){HF_MMIX_MULTIPLIER, HF_MMIX_INCREMENT};
    }
}

static void branch_start(void *opaque_state, enum hf_operands operands, uint64_t seed)
{
    struct branch_state *state = opaque_state;
    struct hf_affine map = value_map(operands);

    *state = (struct branch_state){
        .fold = hf_seed_word(seed, 0),
        .value = value_word(operands, hf_seed_word(seed, 1)),
        .position = hf_seed_word(seed, 2) % CYCLE,
        .multiplier = map.multiplier,
        .increment = map.increment,
    };
}

static uint64_t sorted_hash(void)
{
    uint64_t hash = 0;

    for (uint64_t i = 0; i < HF_BRANCH_KEYS; i++)
        hash = (hash + i) * HASH_ODD;
    return hash;
}

/* What a right step does to the fold. */
static struct hf_affine position_map(uint64_t position, uint64_t sort_answer)
{
    const struct hf_branch_window *window = &hf_branch_windows[position % CYCLE / 2];
    uint64_t sieve_answer = (uint64_t)window->sum << 16 | window->count;

    return (struct hf_affine){HASH_ODD, position % 2 == 0 ? sieve_answer : sort_answer};
}

/* The map of `steps` steps on the fold, from a position on: whole cycles by a power, the rest one by one. */
static struct hf_affine fold_map(uint64_t position, uint64_t steps)
{
    uint64_t sort_answer = sorted_hash();
    uint64_t rest = steps % CYCLE;
    struct hf_affine cycle = {1, 0};
    struct hf_affine part = {1, 0};

    for (uint64_t i = 0; i < CYCLE; i++) {
        if (i == rest)
            part = cycle;
        else if (i > rest && steps < CYCLE)
            break; /* no whole cycle: nothing more is needed */
        cycle = hf_affine_then(cycle, position_map(position + i, sort_answer));
    }
    return hf_affine_then(hf_affine_power(cycle, steps / CYCLE), part);
}

static void expect_words(enum hf_operands operands, uint64_t seed, uint64_t steps, uint64_t ret_words[WORDS])
{
    struct hf_affine map = value_map(operands);
    uint64_t position = hf_seed_word(seed, 2) % CYCLE;

    ret_words[0] = hf_affine_apply(fold_map(position, steps), hf_seed_word(seed, 0));
    ret_words[1] = hf_affine_apply(hf_affine_power(map, steps), value_word(operands, hf_seed_word(seed, 1)));
    ret_words[2] = position + steps;
    ret_words[3] = map.multiplier;
    ret_words[4] = map.increment;
    ret_words[5] = 0;
}

static uint64_t branch_digest(const void *state)
{
    return hf_words_fold(state, WORDS);
}

static uint64_t branch_expect(enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    uint64_t words[WORDS];

    expect_words(operands, seed, steps, words);
    return hf_words_fold(words, WORDS);
}

static void branch_locate(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,
                          struct hf_lane_report *ret_report)
{
    uint64_t expected[WORDS];

    expect_words(operands, seed, steps, expected);
    hf_words_compare(expected, state, WORDS, ret_report);
}

static void branch_plant(void *state, uint64_t bit)
{
    uint64_t *words = state;

    words[bit / 64 % WORDS] ^= UINT64_C(1) << bit % 64;
}

extern const struct hf_kernel hf_reference_branch;
const struct hf_kernel hf_reference_branch = {
    .name = "branch",
    .isa = "reference",
    .width_bits = 64,
    .load_class = HF_LOAD_SCALAR,
    .state_bytes = sizeof(struct branch_state),
    .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,
    .live_bits = 64 * WORDS,
    .burst_steps = 8,
    .operations_per_step = 1,
    .limit = "branch misprediction",
    .start = branch_start,
    .advance = branch_advance,
    .digest = branch_digest,
    .expect = branch_expect,
    .locate = branch_locate,
    .plant = branch_plant,
};
