/*
 * carry-less: what its entries share. Multiplication by a fixed element H of the field of 2^128 elements,
 * over many elements at once: the product of RFC 8452, section 3 (dot(a, b) = a b x^-128 modulo x^128 + x^127
 * + x^126 + x^121 + 1), of which GHASH is the mirror image (RFC 8452, appendix A). A steered chain
 * (steered.h): a step multiplies every element once; a chain of steps is what such a checksum does with a
 * message, the steering words being its blocks.
 *
 * Moving words: the elements, two words each, bit i of the first word being the coefficient of x^i.
 * Constants: H.
 */
#ifndef HOLDFAST_WORKLOADS_CARRYLESS_H
#define HOLDFAST_WORKLOADS_CARRYLESS_H

#include "workloads/kernels/steered.h"

#define HF_CARRYLESS_VECTORS    8
#define HF_CARRYLESS_MOVING_128 (HF_CARRYLESS_VECTORS * 2)
#define HF_CARRYLESS_MOVING_256 (HF_CARRYLESS_VECTORS * 4)
#define HF_CARRYLESS_MOVING_512 (HF_CARRYLESS_VECTORS * 8)
#define HF_CARRYLESS_CONSTANTS  2
#define HF_CARRYLESS_MULTIPLIES 6 /* instructions of a product: four, and two to reduce it */

/* x^127 + x^126 + x^121: of the modulus, what is left of x^-64 times it. */
#define HF_CARRYLESS_REDUCER UINT64_C(0xc200000000000000)

HF_STEERED_DECLARE(carryless_128);
HF_STEERED_DECLARE(carryless_256);
HF_STEERED_DECLARE(carryless_512);

/* dot(a, b) in plain C, into a. */
void hf_carryless_dot(uint64_t a[2], const uint64_t b[2]);

#endif
