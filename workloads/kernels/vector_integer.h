/*
 * vector-integer: what its entries share. ChaCha rounds (RFC 8439, section 2.1 and 2.3) without the last
 * addition, over many blocks at once: add, exclusive or, rotate, shuffle of 32-bit words. A steered chain
 * (steered.h), whose step is HF_CHACHA_DOUBLES double rounds: two steps make the twenty rounds of ChaCha20.
 *
 * Moving words: groups of four rows; a row is a vector that holds four words of each of its blocks side by
 * side, so a double round needs no more than additions, rotations within words, and shuffles of a row's
 * words.
 */
#ifndef HOLDFAST_WORKLOADS_VECTOR_INTEGER_H
#define HOLDFAST_WORKLOADS_VECTOR_INTEGER_H

#include "workloads/kernels/steered.h"

#define HF_CHACHA_DOUBLES 5

/*
 * Eight groups: where additions take two cycles and four ports take them, fewer chains leave ports idle. 32
 * registers hold all of them; where there are 16, they hold one row of each, and the others lie in memory.
 */
#define HF_CHACHA_GROUPS 8

/* Words of 64 bit. */
#define HF_CHACHA_MOVING_128 (HF_CHACHA_GROUPS * 8)
#define HF_CHACHA_MOVING_256 (HF_CHACHA_GROUPS * 16)
#define HF_CHACHA_MOVING_512 (HF_CHACHA_GROUPS * 32)

/* RFC 8439, 2.1, in plain C: for the tests. */
void hf_chacha_quarter_round(uint32_t x[4]);

HF_STEERED_DECLARE(vector_integer_128);
HF_STEERED_DECLARE(vector_integer_256);
HF_STEERED_DECLARE(vector_integer_512);

#endif
