/*
 * cipher, plain C: one block after the other; the S-box by table, MixColumns on four bytes at once in a word.
 *
 * Masked errors, and what catches them (see also steered.h):
 *   - encryption only: a round trip would let a core undo its own error, and such cores have been seen
 *     (Hochschild et al. 2021). The steering words come from this file, which no AES instruction helps.
 *   - a wrong round key in a register or in memory: it is used by every block of the next step, and
 *     compared with the state's at the end of each burst; a round is a bijection of the block for any key.
 *   - there is nothing in a round that is thrown away: S-box, ShiftRows, MixColumns are bijections.
 * Operands: each step begins with blocks of the set, and the key is of the set; what follows the first two
 * rounds is full-range whatever the set.
 */
#include "workloads/kernels/cipher.h"
#include "workloads/kernels/entries.h"

/* FIPS 197, 5.1.1: the inverse modulo x^8 + x^4 + x^3 + x + 1, then the affine map. Made by that definition.
 */
/* clang-format off */
_Alignas(64) const uint8_t hf_aes_sbox[256] = {
    0x63, 0x7c, 0x77, 0x7b, 0xf2, 0x6b, 0x6f, 0xc5, 0x30, 0x01, 0x67, 0x2b, 0xfe, 0xd7, 0xab, 0x76,
    0xca, 0x82, 0xc9, 0x7d, 0xfa, 0x59, 0x47, 0xf0, 0xad, 0xd4, 0xa2, 0xaf, 0x9c, 0xa4, 0x72, 0xc0,
    0xb7, 0xfd, 0x93, 0x26, 0x36, 0x3f, 0xf7, 0xcc, 0x34, 0xa5, 0xe5, 0xf1, 0x71, 0xd8, 0x31, 0x15,
    0x04, 0xc7, 0x23, 0xc3, 0x18, 0x96, 0x05, 0x9a, 0x07, 0x12, 0x80, 0xe2, 0xeb, 0x27, 0xb2, 0x75,
    0x09, 0x83, 0x2c, 0x1a, 0x1b, 0x6e, 0x5a, 0xa0, 0x52, 0x3b, 0xd6, 0xb3, 0x29, 0xe3, 0x2f, 0x84,
    0x53, 0xd1, 0x00, 0xed, 0x20, 0xfc, 0xb1, 0x5b, 0x6a, 0xcb, 0xbe, 0x39, 0x4a, 0x4c, 0x58, 0xcf,
    0xd0, 0xef, 0xaa, 0xfb, 0x43, 0x4d, 0x33, 0x85, 0x45, 0xf9, 0x02, 0x7f, 0x50, 0x3c, 0x9f, 0xa8,
    0x51, 0xa3, 0x40, 0x8f, 0x92, 0x9d, 0x38, 0xf5, 0xbc, 0xb6, 0xda, 0x21, 0x10, 0xff, 0xf3, 0xd2,
    0xcd, 0x0c, 0x13, 0xec, 0x5f, 0x97, 0x44, 0x17, 0xc4, 0xa7, 0x7e, 0x3d, 0x64, 0x5d, 0x19, 0x73,
    0x60, 0x81, 0x4f, 0xdc, 0x22, 0x2a, 0x90, 0x88, 0x46, 0xee, 0xb8, 0x14, 0xde, 0x5e, 0x0b, 0xdb,
    0xe0, 0x32, 0x3a, 0x0a, 0x49, 0x06, 0x24, 0x5c, 0xc2, 0xd3, 0xac, 0x62, 0x91, 0x95, 0xe4, 0x79,
    0xe7, 0xc8, 0x37, 0x6d, 0x8d, 0xd5, 0x4e, 0xa9, 0x6c, 0x56, 0xf4, 0xea, 0x65, 0x7a, 0xae, 0x08,
    0xba, 0x78, 0x25, 0x2e, 0x1c, 0xa6, 0xb4, 0xc6, 0xe8, 0xdd, 0x74, 0x1f, 0x4b, 0xbd, 0x8b, 0x8a,
    0x70, 0x3e, 0xb5, 0x66, 0x48, 0x03, 0xf6, 0x0e, 0x61, 0x35, 0x57, 0xb9, 0x86, 0xc1, 0x1d, 0x9e,
    0xe1, 0xf8, 0x98, 0x11, 0x69, 0xd9, 0x8e, 0x94, 0x9b, 0x1e, 0x87, 0xe9, 0xce, 0x55, 0x28, 0xdf,
    0x8c, 0xa1, 0x89, 0x0d, 0xbf, 0xe6, 0x42, 0x68, 0x41, 0x99, 0x2d, 0x0f, 0xb0, 0x54, 0xbb, 0x16,
};
/* clang-format on */

/* --- rounds: a block is four columns, the first row lowest --- */

HF_INLINE uint32_t turned(uint32_t word, int bits)
{
    return word >> bits | word << (32 - bits);
}

HF_INLINE uint32_t substituted(uint32_t word)
{
    return (uint32_t)hf_aes_sbox[word & 0xff] | (uint32_t)hf_aes_sbox[word >> 8 & 0xff] << 8 |
           (uint32_t)hf_aes_sbox[word >> 16 & 0xff] << 16 | (uint32_t)hf_aes_sbox[word >> 24] << 24;
}

/* Each byte times x. */
HF_INLINE uint32_t doubled(uint32_t word)
{
    return ((word & 0x7f7f7f7f) << 1) ^ ((word >> 7 & 0x01010101) * 0x1b);
}

/* FIPS 197, 5.1.3: 2 a0 + 3 a1 + a2 + a3, and so on around. */
HF_INLINE uint32_t mixed(uint32_t column)
{
    uint32_t next = turned(column, 8);

    return doubled(column ^ next) ^ next ^ turned(column, 16) ^ turned(column, 24);
}

/* FIPS 197, 5.1.2: row r comes from r columns to the right. */
HF_INLINE uint32_t shifted_column(const uint32_t x[4], int column)
{
    return (x[column] & 0xff) | (x[(column + 1) % 4] & 0xff00) | (x[(column + 2) % 4] & 0xff0000) |
           (x[(column + 3) % 4] & 0xff000000);
}

HF_INLINE uint32_t half_of(const uint64_t *words, int index)
{
    return (uint32_t)(words[index / 2] >> 32 * (index % 2));
}

/* Rounds 1 to `rounds` of a block that has round key 0 added; keys: from round 1 on. */
HF_INLINE void rounds_of(const uint64_t *keys, int rounds, uint64_t *block)
{
    uint32_t x[4], y[4];

    for (int c = 0; c < 4; c++)
        x[c] = half_of(block, c);
    for (int round = 0; round < rounds; round++) {
        for (int c = 0; c < 4; c++)
            y[c] = substituted(shifted_column(x, c));
        for (int c = 0; c < 4; c++)
            x[c] = (round < rounds - 1 ? mixed(y[c]) : y[c]) ^ half_of(keys, 4 * round + c);
    }
    block[0] = (uint64_t)x[1] << 32 | x[0];
    block[1] = (uint64_t)x[3] << 32 | x[2];
}

void hf_aes_encrypt(const uint64_t *round_keys, int rounds, uint64_t block[2])
{
    block[0] ^= round_keys[0];
    block[1] ^= round_keys[1];
    rounds_of(round_keys + 2, rounds, block);
}

/* FIPS 197, 5.2. Words of the schedule have 32 bit. */
int hf_aes_expand(const uint64_t *key, int key_words, uint64_t *ret_round_keys)
{
    int length = 2 * key_words;
    int rounds = length + 6;
    uint32_t w[2 * HF_AES_ROUND_WORDS_MAX];
    uint32_t constant = 1;

    for (int i = 0; i < 4 * (rounds + 1); i++) {
        uint32_t before = i > 0 ? w[i - 1] : 0;

        if (i < length) {
            w[i] = half_of(key, i);
            continue;
        }
        if (i % length == 0) {
            before = substituted(turned(before, 8)) ^ constant;
            constant = doubled(constant);
        } else if (length == 8 && i % length == 4) {
            before = substituted(before);
        }
        w[i] = w[i - length] ^ before;
    }
    for (int i = 0; i < 2 * (rounds + 1); i++)
        ret_round_keys[i] = (uint64_t)w[2 * i + 1] << 32 | w[2 * i];
    return rounds;
}

/* --- the kernel --- */

static void constants_of(enum hf_operands operands, uint64_t table_seed, uint64_t *ret_constants)
{
    uint64_t round_keys[HF_AES_ROUND_WORDS_MAX];
    uint64_t key[2];

    for (uint64_t i = 0; i < 2; i++)
        key[i] = hf_steered_operand(operands, hf_seed_word(table_seed, 100000 + i));
    (void)hf_aes_expand(key, 2, round_keys);
    for (int i = 0; i < HF_CIPHER_CONSTANTS; i++)
        ret_constants[i] = round_keys[2 + i];
}

HF_INLINE void encrypt_all(const uint64_t *keys, int rounds, uint64_t *words, int moving)
{
    for (int i = 0; i < moving; i += 2)
        rounds_of(keys, rounds, words + i);
}

HF_INLINE void plain_advance(struct hf_steered_state *state, uint64_t steps, int moving, int rounds)
{
    const uint64_t *keys = &state->word[moving * (HF_STEERED_STATIONS + 1)];
    uint64_t up = 0;
    uint64_t down = steps;

    while (up < steps && down != 0) {
        const uint64_t *steer = HF_STEERED_AT(state, (uint64_t)moving, state->position);

        encrypt_all(keys, rounds, state->word, moving);
        for (int i = 0; i < moving; i++)
            state->word[i] ^= steer[i];
        state->position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down;
}

#define PLAIN_ENTRY(width, burst)                                                                            \
    static void step_##width(const uint64_t *constants, uint64_t station, uint64_t *words)                   \
    {                                                                                                        \
        (void)station;                                                                                       \
        encrypt_all(constants, HF_CIPHER_ROUNDS, words, HF_CIPHER_MOVING_##width);                           \
    }                                                                                                        \
    static const struct hf_steered_shape shape_##width = {.moving = HF_CIPHER_MOVING_##width,                \
                                                          .constants = HF_CIPHER_CONSTANTS,                  \
                                                          .constants_of = constants_of,                      \
                                                          .step = step_##width};                             \
    HF_STEERED_DEFINE(cipher_##width, shape_##width)                                                         \
    HF_KERNEL_CODE static void advance_##width(void *state, uint64_t steps)                                  \
    {                                                                                                        \
        plain_advance(state, steps, HF_CIPHER_MOVING_##width, HF_CIPHER_ROUNDS);                             \
    }                                                                                                        \
    static void advance_12_##width(void *state, uint64_t steps)                                              \
    {                                                                                                        \
        plain_advance(state, steps, HF_CIPHER_MOVING_##width, 12);                                           \
    }                                                                                                        \
    static void advance_14_##width(void *state, uint64_t steps)                                              \
    {                                                                                                        \
        plain_advance(state, steps, HF_CIPHER_MOVING_##width, 14);                                           \
    }                                                                                                        \
    const struct hf_kernel hf_reference_cipher_##width = {                                                   \
        .name = "cipher",                                                                                    \
        .isa = "reference",                                                                                  \
        .width_bits = (width),                                                                               \
        .load_class = HF_LOAD_SCALAR,                                                                        \
        HF_STEERED_FIELDS(cipher_##width, HF_CIPHER_MOVING_##width, HF_CIPHER_CONSTANTS),                    \
        .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,                                                      \
        .burst_steps = (burst),                                                                              \
        .operations_per_step = HF_CIPHER_MOVING_##width * HF_CIPHER_ROUNDS * 8,                              \
        .bytes_per_step = HF_CIPHER_MOVING_##width * 8,                                                      \
        .limit = "loads of the S-box",                                                                       \
        .advance = advance_##width,                                                                          \
    };                                                                                                       \
    const struct hf_cipher_form hf_reference_cipher_form_##width = {&hf_reference_cipher_##width,            \
                                                                    advance_12_##width, advance_14_##width};

PLAIN_ENTRY(128, 10)
PLAIN_ENTRY(256, 5)
PLAIN_ENTRY(512, 3)
