/*
 * Steered chains: what the kernels share whose step is a strong mixing function without a closed form (ChaCha
 * rounds, AES, SHA-256).
 *
 * A chain x -> g(x) is led along a known round trip of HF_STEERED_STATIONS states, the stations:
 *
 *     x -> g(x) xor steer[position mod 4],   position -> position + 1
 *     steer[v] = g(station[v]) xor station[v + 1]
 *
 * so that the state after any number of steps is a station, however wild g is; stations are drawn from the
 * operand set, and each step begins with such operands. The chain runs on without a break: where g is a
 * bijection, so is the step, and a wrong bit at any moment leaves the chain on another path for certain,
 * until a second error; a hash for g lets two paths meet by a chance of 2^-256. Four stations, not one: a
 * stale result, a skipped step, a steering word taken twice are all wrong.
 *
 * steer[] is worked out by the plain C of g, for each operand set and HF_ANSWER_VARIANTS variants
 * (answers.h), by worker and supervisor each for itself. Where a fast entry runs, the plain C shares none of
 * its instructions.
 *
 * What an error could hide behind, for all of them:
 *   - a steering word or constant that is damaged in memory, or that the worker's core has worked out
 *     wrongly (the plain entries work with the same code all the time): all of them are in the digest, and
 *     the supervisor has its own.
 *   - position: masked before use; the digest holds it whole.
 *   - a step left out, taken twice, or that leaves its result unchanged: position and moving words no
 *     longer agree.
 *
 * Words of a state, in the order of plant() and of the lanes that locate() names: the moving words, the
 * steering words of each station, the constants, position, label (drawn from the seed, never used), flaw.
 */
#ifndef HOLDFAST_WORKLOADS_STEERED_H
#define HOLDFAST_WORKLOADS_STEERED_H

#include "workloads/kernels/kernel_code.h"

#define HF_STEERED_STATIONS  4
#define HF_STEERED_WORDS_MAX 2048

struct hf_steered_state {
    uint64_t position;
    uint64_t label;
    uint64_t flaw;
    uint64_t unused[5];
    uint64_t word[]; /* moving, then steering, then constants */
};

/* What a kernel and width is. `step` is g in plain C, in place. */
struct hf_steered_shape {
    int moving;    /* words of the state that g works on; a multiple of what a vector holds */
    int constants; /* words */
    /* The constants of a table; NULL when there are none. */
    void (*constants_of)(enum hf_operands operands, uint64_t table_seed, uint64_t *ret_constants);
    void (*step)(const uint64_t *constants, uint64_t station, uint64_t *words);
};

#define HF_STEERED_WORDS(moving, constants) ((moving) * (HF_STEERED_STATIONS + 1) + (constants))
#define HF_STEERED_STATE_BYTES(moving, constants)                                                            \
    (64 + (((size_t)HF_STEERED_WORDS(moving, constants) * 8 + 63) & ~(size_t)63))
#define HF_STEERED_LIVE_BITS(moving, constants) (UINT64_C(64) * (HF_STEERED_WORDS(moving, constants) + 3))

/* A word of an operand set, made of two halves of 32 bit, from a random word. */
uint64_t hf_steered_operand(enum hf_operands operands, uint64_t word);

void hf_steered_start(const struct hf_steered_shape *shape, struct hf_steered_state *state,
                      enum hf_operands operands, uint64_t seed);
uint64_t hf_steered_digest(const struct hf_steered_shape *shape, const struct hf_steered_state *state);
uint64_t hf_steered_expect(const struct hf_steered_shape *shape, enum hf_operands operands, uint64_t seed,
                           uint64_t steps);
void hf_steered_locate(const struct hf_steered_shape *shape, const struct hf_steered_state *state,
                       enum hf_operands operands, uint64_t seed, uint64_t steps,
                       struct hf_lane_report *ret_report);
void hf_steered_plant(const struct hf_steered_shape *shape, struct hf_steered_state *state, uint64_t bit);

/* The steering words of the step that begins at a position. */
#define HF_STEERED_AT(state, moving, position)                                                               \
    (&(state)->word[(moving) + (moving) * ((position) % HF_STEERED_STATIONS)])

/* The functions of a kernel and width, which all its entries share. */
#define HF_STEERED_DECLARE(kernel)                                                                           \
    void hf_##kernel##_start(void *state, enum hf_operands operands, uint64_t seed);                         \
    uint64_t hf_##kernel##_digest(const void *state);                                                        \
    uint64_t hf_##kernel##_expect(enum hf_operands operands, uint64_t seed, uint64_t steps);                 \
    void hf_##kernel##_locate(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,   \
                              struct hf_lane_report *ret_report);                                            \
    void hf_##kernel##_plant(void *state, uint64_t bit)

#define HF_STEERED_DEFINE(kernel, shape)                                                                     \
    void hf_##kernel##_start(void *state, enum hf_operands operands, uint64_t seed)                          \
    {                                                                                                        \
        hf_steered_start(&(shape), state, operands, seed);                                                   \
    }                                                                                                        \
    uint64_t hf_##kernel##_digest(const void *state)                                                         \
    {                                                                                                        \
        return hf_steered_digest(&(shape), state);                                                           \
    }                                                                                                        \
    uint64_t hf_##kernel##_expect(enum hf_operands operands, uint64_t seed, uint64_t steps)                  \
    {                                                                                                        \
        return hf_steered_expect(&(shape), operands, seed, steps);                                           \
    }                                                                                                        \
    void hf_##kernel##_locate(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,   \
                              struct hf_lane_report *ret_report)                                             \
    {                                                                                                        \
        hf_steered_locate(&(shape), state, operands, seed, steps, ret_report);                               \
    }                                                                                                        \
    void hf_##kernel##_plant(void *state, uint64_t bit)                                                      \
    {                                                                                                        \
        hf_steered_plant(&(shape), state, bit);                                                              \
    }

/* The fields of an entry that follow from its shape; `kernel` may be a macro. */
#define HF_STEERED_FIELDS(kernel, moving, constants) HF_STEERED_FIELDS_OF(kernel, moving, constants)
#define HF_STEERED_FIELDS_OF(kernel, moving, constants)                                                      \
    .state_bytes = HF_STEERED_STATE_BYTES(moving, constants),                                                \
    .live_bits = HF_STEERED_LIVE_BITS(moving, constants), .start = hf_##kernel##_start,                      \
    .digest = hf_##kernel##_digest, .expect = hf_##kernel##_expect, .locate = hf_##kernel##_locate,          \
    .plant = hf_##kernel##_plant

#endif
