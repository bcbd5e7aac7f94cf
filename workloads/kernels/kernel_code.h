/*
 * What every kernel file uses.
 *
 * A kernel describes its state as a list of words: lanes first, then its constants and a flaw word. The
 * digest folds the words of the state, expect folds the words the closed form gives, locate compares the two
 * lists. A state word that cannot be (not a number, out of range) is given a value that no right word has.
 */
#ifndef HOLDFAST_WORKLOADS_KERNEL_CODE_H
#define HOLDFAST_WORKLOADS_KERNEL_CODE_H

#include <stddef.h>
#include <stdint.h>

#include "holdfast/kernel.h"

/* Every advance() carries this: its code lies in one section, so that a program counter can be told to be in
 * kernel code. What it calls must be inlined. */
#if defined(__clang__)
#define HF_KERNEL_CODE __attribute__((section("hf_kernels"), noinline))
#else
#define HF_KERNEL_CODE __attribute__((section("hf_kernels"), noinline, noclone))
#endif
#define HF_INLINE static inline __attribute__((always_inline))

#if defined(__clang__)
#define HF_UNROLL _Pragma("clang loop unroll(full)")
#else
#define HF_UNROLL _Pragma("GCC unroll 64")
#endif

/* Makes the compiler forget what it knows of a value in a general register: it can neither be folded nor
 * derived. */
#define HF_OPAQUE(value) __asm__ volatile("" : "+r"(value))

/* Makes the compiler read memory again: no register copy from before may stand in for it. */
#define HF_REREAD_MEMORY() __asm__ volatile("" : : : "memory")

#define HF_WORD_IMPOSSIBLE (UINT64_C(1) << 63)

/* The bits of a double and back (not memcpy, which the kernels' flags turn into a call). */
HF_INLINE uint64_t hf_bits_of_double(double value)
{
    union {
        double value;
        uint64_t bits;
    } both = {.value = value};

    return both.bits;
}

HF_INLINE double hf_double_of_bits(uint64_t bits)
{
    union {
        uint64_t bits;
        double value;
    } both = {.bits = bits};

    return both.value;
}

/* Each step is a bijection of the running value for a given word, and of the word for a given running value:
 * any single wrong word changes the result. */
uint64_t hf_words_fold(const uint64_t *words, int count);

void hf_words_compare(const uint64_t *expected, const uint64_t *got, int count,
                      struct hf_lane_report *ret_report);

/* Word number `index` of the random sequence of a seed. */
uint64_t hf_seed_word(uint64_t seed, uint64_t index);

#endif
