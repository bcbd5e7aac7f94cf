/*
 * packed-multiply: what its entries share. Products of 16-bit and of 8-bit integers, added in twos and fours
 * to 32-bit sums: what matrix products in small integers are made of. Feistel rounds (Feistel 1973) over
 * pairs of vectors:
 *
 *     left  += signed16(right) . k1      two products for each sum
 *     right += unsigned8(left) . k2      four products for each sum
 *
 * Whatever the products do, a round is a bijection of the pair. A steered chain (steered.h) of
 * HF_PACKED_ROUNDS double rounds. The bytes of k2 lie in -63 .. 63, so that two products fit 16 bits and
 * instructions that saturate there agree with those that do not.
 *
 * Moving words: vectors left and right of pair 0, of pair 1, and so on. Constants: k1 and k2, two words each,
 * the same in every 128 bit of a vector.
 */
#ifndef HOLDFAST_WORKLOADS_PACKED_H
#define HOLDFAST_WORKLOADS_PACKED_H

#include "workloads/kernels/steered.h"

#define HF_PACKED_PAIRS      12
#define HF_PACKED_ROUNDS     12
#define HF_PACKED_MOVING_256 (HF_PACKED_PAIRS * 8)
#define HF_PACKED_MOVING_512 (HF_PACKED_PAIRS * 16)
#define HF_PACKED_CONSTANTS  4

HF_STEERED_DECLARE(packed_256);
HF_STEERED_DECLARE(packed_512);

#endif
