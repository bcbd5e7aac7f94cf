/* Steered chains, apart from the steps: see steered.h. */
#include "workloads/kernels/steered.h"

#include <assert.h>
#include <string.h>

#include "workloads/answers.h"

#define STATIONS HF_STEERED_STATIONS

/* --- operands --- */

static uint32_t operand_half(enum hf_operands operands, uint32_t half)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return half & 0xff;
    case HF_OPERANDS_SPARSE:
        return UINT32_C(1) << half % 32;
    case HF_OPERANDS_CARRY: /* a run of ones: adding anything to it carries far */
        return (UINT32_MAX >> half % 4) - (half >> 8) % 4;
    default:
        return half;
    }
}

uint64_t hf_steered_operand(enum hf_operands operands, uint64_t word)
{
    return (uint64_t)operand_half(operands, (uint32_t)(word >> 32)) << 32 |
           operand_half(operands, (uint32_t)word);
}

/* --- tables: the steering words, then the constants --- */

static uint64_t table_seed(enum hf_operands operands, uint64_t variant)
{
    return hf_seed_word(variant, 977 + (uint64_t)operands);
}

static void station_words(const struct hf_steered_shape *shape, enum hf_operands operands, uint64_t variant,
                          uint64_t station, uint64_t *ret_words)
{
    uint64_t seed = table_seed(operands, variant);

    for (int i = 0; i < shape->moving; i++)
        ret_words[i] = hf_steered_operand(operands, hf_seed_word(seed, station * 4096 + (uint64_t)i));
}

static void table_compute(const uint64_t parameter[HF_ANSWER_PARAMETERS], uint64_t *ret_words)
{
    const struct hf_steered_shape *shape = (const void *)(uintptr_t)parameter[0];
    enum hf_operands operands = (enum hf_operands)parameter[1];
    uint64_t next[HF_STEERED_WORDS_MAX];
    uint64_t *constants = ret_words + STATIONS * shape->moving;

    if (shape->constants > 0)
        shape->constants_of(operands, table_seed(operands, parameter[2]), constants);
    for (uint64_t station = 0; station < STATIONS; station++) {
        uint64_t *steer = ret_words + station * (uint64_t)shape->moving;

        station_words(shape, operands, parameter[2], station, steer);
        shape->step(constants, station, steer);
        station_words(shape, operands, parameter[2], (station + 1) % STATIONS, next);
        for (int i = 0; i < shape->moving; i++)
            steer[i] ^= next[i];
    }
}

static void table_get(const struct hf_steered_shape *shape, enum hf_operands operands, uint64_t variant,
                      uint64_t *ret_words)
{
    const struct hf_answer_key key = {table_compute, {(uintptr_t)shape, (uint64_t)operands, variant}};

    assert(HF_STEERED_WORDS(shape->moving, shape->constants) <= HF_STEERED_WORDS_MAX);
    hf_answer_get(&key, STATIONS * shape->moving + shape->constants, ret_words);
}

/* --- digests: the fold of the folds of moving and resting words, and the header --- */

static uint64_t digest_of(uint64_t moving, uint64_t resting, uint64_t position, uint64_t label, uint64_t flaw)
{
    const uint64_t words[5] = {moving, resting, position, label, flaw};

    return hf_words_fold(words, 5);
}

/* The fold of the moving words at each station, then that of the resting ones. */
static void folds_compute(const uint64_t parameter[HF_ANSWER_PARAMETERS], uint64_t *ret_words)
{
    const struct hf_steered_shape *shape = (const void *)(uintptr_t)parameter[0];
    enum hf_operands operands = (enum hf_operands)parameter[1];
    uint64_t words[HF_STEERED_WORDS_MAX];

    for (uint64_t station = 0; station < STATIONS; station++) {
        station_words(shape, operands, parameter[2], station, words);
        ret_words[station] = hf_words_fold(words, shape->moving);
    }
    table_compute(parameter, words);
    ret_words[STATIONS] = hf_words_fold(words, STATIONS * shape->moving + shape->constants);
}

static uint64_t start_position(uint64_t seed)
{
    return hf_seed_word(seed, 0);
}

static uint64_t label_of(uint64_t seed)
{
    return hf_seed_word(seed, 1);
}

uint64_t hf_steered_digest(const struct hf_steered_shape *shape, const struct hf_steered_state *state)
{
    return digest_of(hf_words_fold(state->word, shape->moving),
                     hf_words_fold(state->word + shape->moving, STATIONS * shape->moving + shape->constants),
                     state->position, state->label, state->flaw);
}

uint64_t hf_steered_expect(const struct hf_steered_shape *shape, enum hf_operands operands, uint64_t seed,
                           uint64_t steps)
{
    const struct hf_answer_key key = {folds_compute,
                                      {(uintptr_t)shape, (uint64_t)operands, hf_answer_variant(seed)}};
    uint64_t position = start_position(seed) + steps;
    uint64_t folds[STATIONS + 1];

    hf_answer_get(&key, STATIONS + 1, folds);
    return digest_of(folds[position % STATIONS], folds[STATIONS], position, label_of(seed), 0);
}

/* --- states --- */

void hf_steered_start(const struct hf_steered_shape *shape, struct hf_steered_state *state,
                      enum hf_operands operands, uint64_t seed)
{
    uint64_t variant = hf_answer_variant(seed);

    *state = (struct hf_steered_state){.position = start_position(seed), .label = label_of(seed)};
    station_words(shape, operands, variant, state->position % STATIONS, state->word);
    table_get(shape, operands, variant, state->word + shape->moving);
}

/* Expected and present words in the order of plant(). */
static int header_words(uint64_t position, uint64_t label, uint64_t flaw, uint64_t *ret_words)
{
    ret_words[0] = position;
    ret_words[1] = label;
    ret_words[2] = flaw;
    return 3;
}

void hf_steered_locate(const struct hf_steered_shape *shape, const struct hf_steered_state *state,
                       enum hf_operands operands, uint64_t seed, uint64_t steps,
                       struct hf_lane_report *ret_report)
{
    int count = HF_STEERED_WORDS(shape->moving, shape->constants);
    uint64_t expected[HF_STEERED_WORDS_MAX + 3], got[HF_STEERED_WORDS_MAX + 3];
    uint64_t position = start_position(seed) + steps;

    station_words(shape, operands, hf_answer_variant(seed), position % STATIONS, expected);
    table_get(shape, operands, hf_answer_variant(seed), expected + shape->moving);
    memcpy(got, state->word, (size_t)count * sizeof got[0]);
    header_words(state->position, state->label, state->flaw, got + count);
    count += header_words(position, label_of(seed), 0, expected + count);
    hf_words_compare(expected, got, count, ret_report);
}

void hf_steered_plant(const struct hf_steered_shape *shape, struct hf_steered_state *state, uint64_t bit)
{
    uint64_t count = (uint64_t)HF_STEERED_WORDS(shape->moving, shape->constants);
    uint64_t index = bit / 64 % (count + 3);
    uint64_t mask = UINT64_C(1) << bit % 64;

    if (index < count)
        state->word[index] ^= mask;
    else if (index == count)
        state->position ^= mask;
    else if (index == count + 1)
        state->label ^= mask;
    else
        state->flaw ^= mask;
}
