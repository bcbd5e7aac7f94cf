/*
 * cipher: what its entries share. AES-128 (FIPS 197) with a fixed key, over many blocks at once: a bijection
 * of each block. A steered chain (steered.h): a step encrypts every block once, but for the first addition
 * of a round key, which the steering words do: one exclusive or a step for both leaves the ports to the
 * rounds.
 *
 * Moving words: the blocks, 16 bytes as two words, the first byte lowest; a block that is to be encrypted
 * goes in with round key 0 added. Constants: round keys 1 to 10, two words each.
 */
#ifndef HOLDFAST_WORKLOADS_CIPHER_H
#define HOLDFAST_WORKLOADS_CIPHER_H

#include "workloads/kernels/steered.h"

/* Vectors in flight: twelve rounds of a latency of four to six cycles keep two ports busy. */
#define HF_CIPHER_VECTORS    12
#define HF_CIPHER_MOVING_128 (HF_CIPHER_VECTORS * 2)
#define HF_CIPHER_MOVING_256 (HF_CIPHER_VECTORS * 4)
#define HF_CIPHER_MOVING_512 (HF_CIPHER_VECTORS * 8)
#define HF_CIPHER_ROUNDS     10
#define HF_CIPHER_CONSTANTS  (2 * HF_CIPHER_ROUNDS)

#define HF_AES_KEY_WORDS_MAX   4
#define HF_AES_ROUND_WORDS_MAX (2 * 15)

HF_STEERED_DECLARE(cipher_128);
HF_STEERED_DECLARE(cipher_256);
HF_STEERED_DECLARE(cipher_512);

/* The key expansion in plain C, for keys of 2, 3 or 4 words of 64 bit; returns the number of rounds. Writes
 * twice as many words as there are rounds, and two. */
int hf_aes_expand(const uint64_t *key, int key_words, uint64_t *ret_round_keys);

/* S-box of FIPS 197. */
extern const uint8_t hf_aes_sbox[256];

/* One block in plain C. */
void hf_aes_encrypt(const uint64_t *round_keys, int rounds, uint64_t block[2]);

/*
 * The same code as an entry's advance() for the longer keys: for the tests, which show every published vector
 * to every entry. The state's constants are then 24 or 28 words.
 */
struct hf_cipher_form {
    const struct hf_kernel *entry;
    void (*advance_12)(void *state, uint64_t steps);
    void (*advance_14)(void *state, uint64_t steps);
};

extern const struct hf_cipher_form hf_reference_cipher_form_128, hf_reference_cipher_form_256,
    hf_reference_cipher_form_512;
extern const struct hf_cipher_form hf_crypto_cipher_form_128, hf_avx2_cipher_form_256,
    hf_avx512_cipher_form_512, hf_aarch64_cipher_form_128;

#endif
