/*
 * hash, plain C.
 *
 * Masked errors, and what catches them (see also steered.h):
 *   - a step is the compression function, whose last addition makes it no bijection of the hash words: two
 *     of 2^256 states may give one. It is a strong hash of them instead: a wrong bit is lost with a chance
 *     of 2^-256.
 *   - a wrong word of the message schedule goes into at least one round, and each round is a bijection of
 *     the eight words for a given schedule word, and the other way round.
 *   - Ch and Maj hide bits of two of their operands; those operands are themselves words of the state,
 *     which the rounds pass on whole.
 *   - the round constants are read from the program's own memory: a wrong one makes every later step wrong.
 * Operands: message blocks and the hash words at the begin of each step are of the set: the first rounds and
 * the first additions of the schedule work on it, the others on full-range words.
 */
#include "workloads/kernels/hash.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/hash_scalar.h"

/* The first 32 bits of the fractions of the cube roots of the first 64 primes. */
/* clang-format off */
_Alignas(64) const uint32_t hf_sha256_k[64] = {
    0x428a2f98, 0x71374491, 0xb5c0fbcf, 0xe9b5dba5, 0x3956c25b, 0x59f111f1, 0x923f82a4, 0xab1c5ed5,
    0xd807aa98, 0x12835b01, 0x243185be, 0x550c7dc3, 0x72be5d74, 0x80deb1fe, 0x9bdc06a7, 0xc19bf174,
    0xe49b69c1, 0xefbe4786, 0x0fc19dc6, 0x240ca1cc, 0x2de92c6f, 0x4a7484aa, 0x5cb0a9dc, 0x76f988da,
    0x983e5152, 0xa831c66d, 0xb00327c8, 0xbf597fc7, 0xc6e00bf3, 0xd5a79147, 0x06ca6351, 0x14292967,
    0x27b70a85, 0x2e1b2138, 0x4d2c6dfc, 0x53380d13, 0x650a7354, 0x766a0abb, 0x81c2c92e, 0x92722c85,
    0xa2bfe8a1, 0xa81a664b, 0xc24b8b70, 0xc76c51a3, 0xd192e819, 0xd6990624, 0xf40e3585, 0x106aa070,
    0x19a4c116, 0x1e376c08, 0x2748774c, 0x34b0bcb5, 0x391c0cb3, 0x4ed8aa4a, 0x5b9cca4f, 0x682e6ff3,
    0x748f82ee, 0x78a5636f, 0x84c87814, 0x8cc70208, 0x90befffa, 0xa4506ceb, 0xbef9a3f7, 0xc67178f2,
};
/* clang-format on */

HF_KERNEL_CODE static void advance(void *state, uint64_t steps)
{
    hf_hash_scalar_advance(state, steps);
}

static uint64_t limit_loop(uint64_t rounds)
{
    return hf_hash_limit_body(rounds);
}

/* --- the table --- */

static void constants_of(enum hf_operands operands, uint64_t table_seed, uint64_t *ret_constants)
{
    for (uint64_t i = 0; i < HF_HASH_CONSTANTS; i++)
        ret_constants[i] = hf_steered_operand(operands, hf_seed_word(table_seed, 200000 + i));
}

static void step(const uint64_t *constants, uint64_t station, uint64_t *words)
{
    hf_hash_compress_all(constants, station, words);
}

static const struct hf_steered_shape shape = {
    .moving = HF_HASH_MOVING, .constants = HF_HASH_CONSTANTS, .constants_of = constants_of, .step = step};
HF_STEERED_DEFINE(hash, shape)

const struct hf_kernel hf_reference_hash_64 = {
    HF_HASH_SCALAR_FIELDS, .width_bits = 64, .isa = "reference", .limit_loop = limit_loop, .advance = advance,
};

const struct hf_kernel hf_reference_hash_128 = {
    HF_HASH_SCALAR_FIELDS,    .width_bits = 128,  .isa = "reference",
    .limit_loop = limit_loop, .advance = advance,
};
