/* chase: what its entries share. See kernels/reference/chase.c. */
#ifndef HOLDFAST_WORKLOADS_CHASE_H
#define HOLDFAST_WORKLOADS_CHASE_H

#include "workloads/arena.h"
#include "workloads/kernels/kernel_code.h"

#define HF_CHASE_CHAINS 4
#define HF_CHASE_WORDS  (2 * HF_CHASE_CHAINS + 2)

struct hf_chase_state {
    uint64_t at[HF_CHASE_CHAINS]; /* the word loaded last: its low bits are the place of the next */
    /* Of the upper parts of the words, in place, modulo 2^64; of chains 2 and 3 turned by 32 bits first. */
    uint64_t sum[HF_CHASE_CHAINS];
    uint64_t steps;
    uint64_t flaw;
    uint64_t unused[6];
};

_Static_assert(sizeof(struct hf_chase_state) % 64 == 0, "states are laid side by side");

/* Chains from here on sum the upper parts turned by 32 bits. */
#define HF_CHASE_TURNED 2

/* The place of position t of the cycle, and the position at a place: bijections of 0 .. mask. */
uint64_t hf_chase_place(uint64_t position, uint64_t mask);
uint64_t hf_chase_position(uint64_t place, uint64_t mask);

/* The word at position t: what it carries, and the place of position t + 1. */
uint64_t hf_chase_word(uint64_t position, uint64_t mask, enum hf_operands operands);

#endif
