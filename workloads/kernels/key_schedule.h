/*
 * key-schedule: what its entries share. The key expansion of AES-128 (FIPS 197, 5.2) of HF_KEYS keys side by
 * side. Each round key follows from the one before by a bijection, so the last one stands for all. A steered
 * chain (steered.h): a step goes from the cipher key to round key 10.
 *
 * Moving words: the keys, two words each, the first byte lowest.
 */
#ifndef HOLDFAST_WORKLOADS_KEY_SCHEDULE_H
#define HOLDFAST_WORKLOADS_KEY_SCHEDULE_H

#include "workloads/kernels/cipher.h"

#define HF_KEYS        12
#define HF_KEYS_MOVING (HF_KEYS * 2)

HF_STEERED_DECLARE(key_schedule);

#endif
