/*
 * Answers that are worked out once and kept: for kernels whose answer has no closed form that is quick.
 *
 * A kernel of that kind repeats runs out of a bounded table (operand set x a few variants drawn from the
 * block's seed). What a run must give is worked out by plain integer code, which shares nothing with the code
 * under test, when it is first asked for, and kept for the process: in the worker, and again in the
 * supervisor, whose judgement does not rest on the core under test.
 *
 *   static void compute(const uint64_t parameter[HF_ANSWER_PARAMETERS], uint64_t *ret_words) { ... }
 *   const struct hf_answer_key key = {compute, {operands, variant}};
 *   hf_answer_get(&key, WORDS, words);      copies the answer out; works it out when it is not there
 *
 * An answer is a pure function of its key: the function's address and its parameters. `compute` may ask for
 * other answers. It writes exactly the words that are asked for; the same key is always asked for with the
 * same number. Take the variant of a seed with hf_answer_variant(): few variants, so that the store holds a
 * slice's worth of them.
 *
 * The store is made on a machine that is being made to fail, so:
 *   1. an answer is worked out twice, one after the other, and once more until two in a row agree; what
 *      never agrees is given back as it is and not kept;
 *   2. a kept answer carries a checksum that is verified each time; a damaged one is worked out anew;
 *   3. both happenings are counted (hf_answers_doubts): neither is a verdict, for the block's digest tells.
 * hf_answers_drop() forgets everything: call it when the machine's setting has changed, so that no answer of
 * a doubtful setting lives on.
 *
 * Bounds: HF_ANSWERS_WORDS words and HF_ANSWERS_MAX answers a thread; the oldest goes when room is needed. An
 * answer longer than HF_ANSWERS_WORDS / 2 is refused by an assertion. Where there is no memory for the store,
 * answers are worked out every time. Each thread has its own store. A kept answer
 * of five words costs 30 to 70 ns.
 */
#ifndef HOLDFAST_WORKLOADS_ANSWERS_H
#define HOLDFAST_WORKLOADS_ANSWERS_H

#include <stdint.h>

#define HF_ANSWERS_WORDS     24576
#define HF_ANSWERS_MAX       256
#define HF_ANSWER_PARAMETERS 3
#define HF_ANSWER_VARIANTS   16

typedef void hf_answer_compute(const uint64_t parameter[HF_ANSWER_PARAMETERS], uint64_t *ret_words);

struct hf_answer_key {
    hf_answer_compute *compute;
    uint64_t parameter[HF_ANSWER_PARAMETERS];
};

void hf_answer_get(const struct hf_answer_key *key, int words, uint64_t *ret_words);

/* Which of the HF_ANSWER_VARIANTS a seed takes. */
uint64_t hf_answer_variant(uint64_t seed);

void hf_answers_drop(void);

/* Of this thread, since it began. */
struct hf_answers_doubts {
    uint64_t disagreed; /* times that two workings did not agree */
    uint64_t damaged;   /* kept answers whose checksum was wrong */
    uint64_t worked;    /* answers worked out (twice each) */
};

struct hf_answers_doubts hf_answers_doubts(void);

/* For tests: flips a bit of the kept answer of that key; 0 when it is not kept. */
int hf_answers_damage(const struct hf_answer_key *key, uint64_t bit);

#endif
