/*
 * crc: what its entries share. CRC-32C (Castagnoli, Braeuer and Herrmann 1993; RFC 3720, 12.1) of
 * HF_CRC_CHAINS messages side by side, without the inversions at begin and end: what the CRC instruction
 * does. A steered chain (steered.h): a step takes HF_CRC_WORDS words of 64 bit into each register, from
 * two blocks in turn.
 *
 * Moving words: the registers, 32 bit each, two a word, the first lower. Constants: the words of each block,
 * word by word, in them chain by chain: the order in which they are read.
 */
#ifndef HOLDFAST_WORKLOADS_CRC_H
#define HOLDFAST_WORKLOADS_CRC_H

#include "workloads/kernels/steered.h"

#define HF_CRC_CHAINS    10
#define HF_CRC_MOVING    (HF_CRC_CHAINS / 2)
#define HF_CRC_WORDS     32
#define HF_CRC_BLOCK     (HF_CRC_WORDS * HF_CRC_CHAINS)
#define HF_CRC_BLOCKS    2
#define HF_CRC_CONSTANTS (HF_CRC_BLOCKS * HF_CRC_BLOCK)

/* The words for the step that begins at a position. */
#define HF_CRC_BLOCK_AT(constants, position) (&(constants)[(position) % HF_CRC_BLOCKS * HF_CRC_BLOCK])

HF_STEERED_DECLARE(crc);

/* The register after one more word of 64 bit, the lowest byte first, by table. */
uint32_t hf_crc_word(uint32_t crc, uint64_t word);

#endif
