/*
 * copy, plain C, and the closed form.
 *
 * The data: word j of chunk number n (first half: n = 2 c, second: n = 2 c + 1) is pattern[j] + n x apart.
 * The pattern is the output of the ChaCha20 block function for the full set (RFC 8439, section 2.3; key: the
 * bytes 0 to 31, nonce 0), so neighbouring words have nothing in common; `apart` makes every chunk another
 * one.
 *
 * The closed form. Let S be a lane's sum over a chunk's rows of the pattern and T the same with weights
 * (tiers - tier). A summed move of chunk n takes (one, two) to (one + S + rows n a, two + tiers one + T + n a
 * W), W the sum of all rows' weights: a linear map of (one, two, S, T, a, c a), the same for all lanes. A
 * step is the product of two of them and of c -> c + 1; a way around the arena ends with c = 0. Powers of
 * these maps by squaring give any number of steps, and one row each of the result gives the sums of every
 * lane.
 *
 * Why nothing is forgotten: one and two are moved by bijections for a given word, so a wrong bit in them
 * stays; a wrong word that was loaded stays in `one` as its difference, and as the bits that it changed there
 * in `flaw`, however often it is met. A wrong bit of `due` or `plain` is in `flaw` after the next move. What
 * moves 1 to 4 store is what moves 5 and 6 load and sum; what those store is summed at the next visit, or met
 * by the scrub.
 *
 * Masked errors, and what catches them:
 *   - a store that is lost: the place keeps another chunk's words than the next load must find.
 *   - a move that reads or writes elsewhere: every chunk differs, and so does every word's weight.
 *   - two wrong words whose differences cancel in `one` before the next comparison, within a lane of a chunk,
 * and in `two` at the end: not from one error. The topmost bit of two words of a lane and chunk, an even
 * number of tiers apart, is such a pair; where both stay so, the scrub finds them.
 *   - the spare chunk between two steps: dead.
 *   - addresses and counts in registers: a wrong one moves other bytes, or ends the process; the counter of
 * steps is in the digest, and counted up and down.
 *
 * Operand sets: full: ChaCha20; bounded: bytes; sparse: one bit in each word; carry: minus small numbers. The
 * sums grow from there and look random in all sets after a few rows.
 */
#include "workloads/kernels/copy.h"

#define LANES  HF_COPY_LANES
#define ROWS   HF_COPY_ROWS
#define TIER   HF_COPY_TIER
#define TIERS  HF_COPY_TIERS
#define WORDS  HF_COPY_WORDS
#define SUMMED 2 /* moves of a step: chunks 2 c and 2 c + 1 */

/* --- the data --- */

HF_INLINE uint32_t rotated(uint32_t word, int bits)
{
    return word << bits | word >> (32 - bits);
}

static void quarter_round(uint32_t x[16], int a, int b, int c, int d)
{
    x[a] += x[b];
    x[d] = rotated(x[d] ^ x[a], 16);
    x[c] += x[d];
    x[b] = rotated(x[b] ^ x[c], 12);
    x[a] += x[b];
    x[d] = rotated(x[d] ^ x[a], 8);
    x[c] += x[d];
    x[b] = rotated(x[b] ^ x[c], 7);
}

/* 16 words of the key stream (RFC 8439, sections 2.1 to 2.3). */
static void chacha_block(uint32_t counter, uint32_t ret_words[16])
{
    uint32_t start[16] = {0x61707865, 0x3320646e, 0x79622d32, 0x6b206574};

    for (uint32_t i = 0; i < 8; i++)
        start[4 + i] = 0x03020100 + i * 0x04040404;
    start[12] = counter;
    for (int i = 0; i < 16; i++)
        ret_words[i] = start[i];
    for (int round = 0; round < 10; round++) {
        for (int i = 0; i < 4; i++)
            quarter_round(ret_words, i, 4 + i, 8 + i, 12 + i);
        for (int i = 0; i < 4; i++)
            quarter_round(ret_words, i, 4 + (i + 1) % 4, 8 + (i + 2) % 4, 12 + (i + 3) % 4);
    }
    for (int i = 0; i < 16; i++)
        ret_words[i] += start[i];
}

static uint64_t shaped(enum hf_operands operands, uint64_t word)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return word % 256;
    case HF_OPERANDS_SPARSE:
        return UINT64_C(1) << word % 64;
    case HF_OPERANDS_CARRY:
        return UINT64_MAX - word % 256;
    default:
        return word;
    }
}

static uint64_t apart_of(enum hf_operands operands)
{
    static const uint64_t apart[HF_OPERANDS_COUNT] = {
        [HF_OPERANDS_FULL] = UINT64_C(0x9e3779b97f4a7c15),
        [HF_OPERANDS_BOUNDED] = 1,
        [HF_OPERANDS_SPARSE] = UINT64_C(1) << 40,
        [HF_OPERANDS_CARRY] = UINT64_MAX,
    };

    return apart[operands];
}

static void make_pattern(enum hf_operands operands, uint64_t ret_pattern[HF_COPY_CHUNK_WORDS])
{
    uint32_t words[16];

    for (uint32_t i = 0; i < HF_COPY_CHUNK_WORDS / 8; i++) {
        chacha_block(i, words);
        for (int k = 0; k < 8; k++)
            ret_pattern[8 * i + (uint32_t)k] =
                shaped(operands, words[2 * k] | (uint64_t)words[2 * k + 1] << 32);
    }
}

/* The pattern and its sums, made once for each set. */
static _Thread_local struct {
    int made;
    uint64_t pattern[HF_COPY_CHUNK_WORDS];
    uint64_t plain[LANES];    /* S */
    uint64_t weighted[LANES]; /* T */
} data[HF_OPERANDS_COUNT];

static void data_make(enum hf_operands operands)
{
    if (data[operands].made)
        return;
    make_pattern(operands, data[operands].pattern);
    for (int lane = 0; lane < LANES; lane++) {
        data[operands].plain[lane] = data[operands].weighted[lane] = 0;
        for (uint64_t row = 0; row < ROWS; row++) {
            uint64_t word = data[operands].pattern[row * LANES + (uint64_t)lane];

            data[operands].plain[lane] += word;
            data[operands].weighted[lane] += word * (TIERS - row / TIER);
        }
    }
    data[operands].made = 1;
}

uint64_t hf_copy_formula(struct hf_arena *arena, int compare, struct hf_lane_report *ret_report)
{
    const uint64_t *pattern = data[arena->operands].pattern;
    uint64_t apart = apart_of(arena->operands);
    uint64_t chunks = (arena->mask + 1) / HF_COPY_CHUNK_WORDS;
    uint64_t wrong = 0;

    data_make(arena->operands);
    arena->constant[HF_COPY_APART] = apart;
    for (uint64_t chunk = 0; chunk < chunks; chunk++) {
        uint64_t number = chunk < chunks / 2 ? 2 * chunk : 2 * (chunk - chunks / 2) + 1;
        uint64_t offset = number * apart;

        for (uint64_t j = 0; j < HF_COPY_CHUNK_WORDS; j++)
            wrong += hf_arena_put(arena, chunk * HF_COPY_CHUNK_WORDS + j, pattern[j] + offset, compare,
                                  ret_report);
    }
    return wrong;
}

/* --- closed form --- */

enum coordinate {
    ONE,
    TWO,
    PLAIN,
    WEIGHTED,
    APART,
    CHUNK_APART, /* the chunk's number in its half, times apart */
    COORDINATES
};

/* A linear map modulo 2^64: row i says what becomes of coordinate i. */
struct map {
    uint64_t at[COORDINATES][COORDINATES];
};

static struct map identity(void)
{
    struct map map = {0};

    for (int i = 0; i < COORDINATES; i++)
        map.at[i][i] = 1;
    return map;
}

/* First `first`, then `second`. */
static struct map then(const struct map *first, const struct map *second)
{
    struct map both = {0};

    for (int i = 0; i < COORDINATES; i++) {
        for (int k = 0; k < COORDINATES; k++) {
            if (second->at[i][k] == 0)
                continue;
            for (int j = 0; j < COORDINATES; j++)
                both.at[i][j] += second->at[i][k] * first->at[k][j];
        }
    }
    return both;
}

static struct map power(struct map map, uint64_t times)
{
    struct map result = identity();

    for (; times != 0; times >>= 1) {
        if (times & 1)
            result = then(&result, &map);
        map = then(&map, &map);
    }
    return result;
}

/* A summed move of chunk 2 c + odd. */
static struct map move_map(uint64_t odd)
{
    const uint64_t weights = TIER * (TIERS * (TIERS + 1) / 2);
    struct map map = identity();

    map.at[ONE][PLAIN] = 1;
    map.at[ONE][CHUNK_APART] = 2 * ROWS;
    map.at[ONE][APART] = odd * ROWS;
    map.at[TWO][ONE] = TIERS;
    map.at[TWO][WEIGHTED] = 1;
    map.at[TWO][CHUNK_APART] = 2 * weights;
    map.at[TWO][APART] = odd * weights;
    return map;
}

static struct map step_map(void)
{
    struct map next = identity();
    struct map step = identity();

    for (uint64_t i = 0; i < SUMMED; i++) {
        struct map move = move_map(i % 2);

        step = then(&step, &move);
    }
    next.at[CHUNK_APART][APART] = 1;
    return then(&step, &next);
}

/* `steps` steps from chunk `from` of `count`. */
static struct map steps_map(uint64_t from, uint64_t count, uint64_t steps)
{
    struct map step = step_map();
    struct map back = identity(); /* to chunk 0 */
    struct map first, around, rest, result;
    uint64_t to_end = count - from;

    if (steps < to_end)
        return power(step, steps);
    back.at[CHUNK_APART][CHUNK_APART] = 0;
    first = power(step, to_end);
    first = then(&first, &back);
    steps -= to_end;
    around = power(step, count);
    around = then(&around, &back);
    around = power(around, steps / count);
    rest = power(step, steps % count);
    result = then(&first, &around);
    return then(&result, &rest);
}

static uint64_t start_counter(enum hf_operands operands, uint64_t seed)
{
    return hf_seed_word(seed, 2 * LANES + (uint64_t)operands);
}

static void expect_words(int level, enum hf_operands operands, uint64_t seed, uint64_t steps,
                         uint64_t ret_words[WORDS])
{
    uint64_t count = hf_arena_words(level) / HF_COPY_CHUNK_WORDS / 2;
    uint64_t counter = start_counter(operands, seed);
    uint64_t from = counter % count;
    struct map map = steps_map(from, count, steps);

    data_make(operands);
    for (int lane = 0; lane < LANES; lane++) {
        const uint64_t before[COORDINATES] = {hf_seed_word(seed, (uint64_t)lane),
                                              hf_seed_word(seed, LANES + (uint64_t)lane),
                                              data[operands].plain[lane],
                                              data[operands].weighted[lane],
                                              apart_of(operands),
                                              from * apart_of(operands)};

        ret_words[lane] = ret_words[LANES + lane] = 0;
        for (int j = 0; j < COORDINATES; j++) {
            ret_words[lane] += map.at[ONE][j] * before[j];
            ret_words[LANES + lane] += map.at[TWO][j] * before[j];
        }
        ret_words[2 * LANES + lane] = ret_words[lane];
        ret_words[3 * LANES + lane] = data[operands].plain[lane];
    }
    ret_words[4 * LANES] = counter + steps;
    ret_words[4 * LANES + 1] = 0;
}

void hf_copy_start(void *opaque_state, int level, enum hf_operands operands, uint64_t seed)
{
    struct hf_copy_state *state = opaque_state;

    (void)hf_arena_get(HF_ARENA_COPY, level, operands);
    data_make(operands);
    *state = (struct hf_copy_state){.counter = start_counter(operands, seed)};
    for (uint64_t lane = 0; lane < LANES; lane++) {
        state->one[lane] = state->due[lane] = hf_seed_word(seed, lane);
        state->plain[lane] = data[operands].plain[lane];
        state->two[lane] = hf_seed_word(seed, LANES + lane);
    }
}

uint64_t hf_copy_digest(const void *state)
{
    return hf_words_fold(state, WORDS);
}

uint64_t hf_copy_expect(int level, enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    uint64_t words[WORDS];

    expect_words(level, operands, seed, steps, words);
    return hf_words_fold(words, WORDS);
}

void hf_copy_locate(const void *state, int level, enum hf_operands operands, uint64_t seed, uint64_t steps,
                    struct hf_lane_report *ret_report)
{
    uint64_t expected[WORDS];

    expect_words(level, operands, seed, steps, expected);
    hf_words_compare(expected, state, WORDS, ret_report);
}

void hf_copy_plant(void *state, uint64_t bit)
{
    uint64_t *words = state;

    words[bit / 64 % WORDS] ^= UINT64_C(1) << bit % 64;
}

/* --- plain C --- */

/* A word at any address. */
struct anywhere {
    uint64_t word;
} __attribute__((packed, may_alias));

HF_INLINE void move_words(char *to, const char *from, uint64_t *one, uint64_t *two)
{
    for (int j = 0; j < HF_COPY_CHUNK_WORDS; j++) {
        uint64_t word = ((const struct anywhere *)(const void *)(from + 8 * j))->word;

        HF_OPAQUE(word);
        if (one != NULL) {
            one[j % LANES] += word;
            if (j / LANES % TIER == TIER - 1)
                two[j % LANES] += one[j % LANES];
        }
        ((struct anywhere *)(void *)(to + 8 * j))->word = word;
    }
    HF_REREAD_MEMORY();
}

HF_INLINE void move_bytes(char *to, const char *from)
{
    for (int j = 0; j < HF_COPY_CHUNK_BYTES; j++) {
        unsigned byte = (unsigned char)from[j];

        HF_OPAQUE(byte);
        to[j] = (char)byte;
    }
    HF_REREAD_MEMORY();
}

/* After a summed move: how `one` differs from what is due. */
HF_INLINE uint64_t difference(struct hf_copy_state *state, uint64_t rise)
{
    uint64_t flaw = 0;

    for (int lane = 0; lane < LANES; lane++) {
        state->due[lane] += state->plain[lane] + rise;
        flaw |= state->due[lane] ^ state->one[lane];
    }
    return flaw;
}

HF_INLINE void moves_before_sums(struct hf_copy_place place)
{
    move_words(place.spare, place.first, NULL, NULL);
    move_words(place.first, place.second, NULL, NULL);
    move_bytes(place.second, place.spare);
    move_words(place.spare, place.first, NULL, NULL);
}

HF_KERNEL_CODE static void copy_advance(void *opaque_state, uint64_t steps)
{
    struct hf_copy_state *state = opaque_state;
    const struct hf_arena *arena = &hf_arenas[HF_ARENA_COPY];
    uint64_t up = 0;
    uint64_t down = steps;

    while (up < steps && down != 0) {
        struct hf_copy_place place = hf_copy_place(arena, state->counter);

        moves_before_sums(place);
        move_words(place.first, place.second, state->one, state->two);
        state->flaw |= difference(state, hf_copy_rise(arena, state->counter, 0));
        move_words(place.second, place.spare, state->one, state->two);
        state->flaw |= difference(state, hf_copy_rise(arena, state->counter, 1));
        state->counter++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down;
}

static uint64_t copy_limit(int level, uint64_t rounds)
{
    static _Thread_local uint64_t counter; /* on through the arena, not the same few chunks again */
    const struct hf_arena *arena = hf_arena_get(HF_ARENA_COPY, level, HF_OPERANDS_FULL);

    for (uint64_t round = 0; round < rounds; round++) {
        struct hf_copy_place place = hf_copy_place(arena, counter++);

        moves_before_sums(place);
        move_words(place.first, place.second, NULL, NULL);
        move_words(place.second, place.spare, NULL, NULL);
    }
    return rounds * HF_COPY_MOVES * (HF_COPY_CHUNK_BYTES / 64);
}

#define ISA          "reference"
#define NEEDS        0
#define ADVANCE      copy_advance
#define LIMIT        copy_limit
#define LIVE         HF_LIVE_MEMORY
#define BURST_L1     3
#define BURST_L2     3
#define BURST_L3     3
#define BURST_MEMORY 2

#define WIDTH           256
#define ENTRY_OF(label) hf_reference_copy_256_##label
#include "workloads/kernels/copy_entries.h"

#define WIDTH           512
#define ENTRY_OF(label) hf_reference_copy_512_##label
#include "workloads/kernels/copy_entries.h"
