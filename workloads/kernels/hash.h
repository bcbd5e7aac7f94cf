/*
 * hash: what its entries share. SHA-256 (FIPS 180-4), HF_HASH_STREAMS streams side by side. A steered chain
 * (steered.h): a step takes one message block into every stream, each station its own.
 *
 * Moving words: for each stream the eight hash words, 32 bit each, in the order in which the SHA instructions
 * want them: f e b a, h g d c; the first is the lower half of the first word.
 * Constants: the message blocks, 16 words of 32 bit each, for each station and in it for each stream.
 *
 * hash at 64 bit is the same in plain C: shifts, additions and logic on the scalar ports. At 128 bit the SHA
 * instructions run, where there are any.
 */
#ifndef HOLDFAST_WORKLOADS_HASH_H
#define HOLDFAST_WORKLOADS_HASH_H

#include "workloads/kernels/steered.h"

#define HF_HASH_STREAMS   4
#define HF_HASH_MOVING    (HF_HASH_STREAMS * 4)
#define HF_HASH_BLOCK     8 /* 64-bit words of a message block */
#define HF_HASH_CONSTANTS (HF_STEERED_STATIONS * HF_HASH_STREAMS * HF_HASH_BLOCK)

/* The message block of a stream for the step that begins at a position. */
#define HF_HASH_BLOCK_AT(constants, position, stream)                                                        \
    (&(constants)[((position) % HF_STEERED_STATIONS * HF_HASH_STREAMS + (stream)) * HF_HASH_BLOCK])

/* FIPS 180-4, 4.2.2. */
extern const uint32_t hf_sha256_k[64];

HF_STEERED_DECLARE(hash);

#endif
