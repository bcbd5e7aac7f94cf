#include "holdfast/checksum.h"

#include <string.h>

/* --- CRC-32C ---------------------------------------------------------------------------------------- */

#define CRC32C_REFLECTED 0x82f63b78u

static uint32_t crc_table[8][256];

__attribute__((constructor)) static void crc_table_fill(void)
{
    for (uint32_t byte = 0; byte < 256; byte++) {
        uint32_t crc = byte;

        for (int bit = 0; bit < 8; bit++)
            crc = (crc >> 1) ^ (CRC32C_REFLECTED & (0u - (crc & 1u)));
        crc_table[0][byte] = crc;
    }
    for (uint32_t byte = 0; byte < 256; byte++) {
        for (int slice = 1; slice < 8; slice++)
            crc_table[slice][byte] =
                (crc_table[slice - 1][byte] >> 8) ^ crc_table[0][crc_table[slice - 1][byte] & 0xff];
    }
}

static uint32_t load_le32(const uint8_t *bytes)
{
    return (uint32_t)bytes[0] | (uint32_t)bytes[1] << 8 | (uint32_t)bytes[2] << 16 | (uint32_t)bytes[3] << 24;
}

/* Eight bytes a step (Kounavis and Berry 2005, "slicing-by-8"). */
uint32_t hf_crc32c_portable(uint32_t previous, const void *bytes, size_t size)
{
    const uint8_t *at = bytes;
    uint32_t crc = ~previous;

    for (; size >= 8; size -= 8, at += 8) {
        uint32_t low = load_le32(at) ^ crc;
        uint32_t high = load_le32(at + 4);

        crc = crc_table[7][low & 0xff] ^ crc_table[6][(low >> 8) & 0xff] ^ crc_table[5][(low >> 16) & 0xff] ^
              crc_table[4][low >> 24] ^ crc_table[3][high & 0xff] ^ crc_table[2][(high >> 8) & 0xff] ^
              crc_table[1][(high >> 16) & 0xff] ^ crc_table[0][high >> 24];
    }
    for (; size > 0; size--, at++)
        crc = (crc >> 8) ^ crc_table[0][(crc ^ *at) & 0xff];
    return ~crc;
}

#if defined(__x86_64__)
__attribute__((target("sse4.2"))) static uint32_t crc32c_instruction(uint32_t previous, const void *bytes,
                                                                     size_t size)
{
    const uint8_t *at = bytes;
    uint64_t crc = ~previous;

    for (; size >= 8; size -= 8, at += 8) {
        uint64_t word;

        memcpy(&word, at, sizeof word);
        crc = __builtin_ia32_crc32di(crc, word);
    }
    for (; size > 0; size--, at++)
        crc = __builtin_ia32_crc32qi((uint32_t)crc, *at);
    return ~(uint32_t)crc;
}
#endif

uint32_t hf_crc32c(uint32_t previous, const void *bytes, size_t size)
{
#if defined(__x86_64__)
    if (__builtin_cpu_supports("sse4.2"))
        return crc32c_instruction(previous, bytes, size);
#endif
    return hf_crc32c_portable(previous, bytes, size);
}

/* --- SHA-256 (FIPS 180-4, sections 4.1.2, 4.2.2, 5.3.3, 6.2.2) --------------------------------------- */

static const uint32_t sha_constants[64] = {
    0x428a2f98, 0x71374491, 0xb5c0fbcf, 0xe9b5dba5, 0x3956c25b, 0x59f111f1, 0x923f82a4, 0xab1c5ed5,
    0xd807aa98, 0x12835b01, 0x243185be, 0x550c7dc3, 0x72be5d74, 0x80deb1fe, 0x9bdc06a7, 0xc19bf174,
    0xe49b69c1, 0xefbe4786, 0x0fc19dc6, 0x240ca1cc, 0x2de92c6f, 0x4a7484aa, 0x5cb0a9dc, 0x76f988da,
    0x983e5152, 0xa831c66d, 0xb00327c8, 0xbf597fc7, 0xc6e00bf3, 0xd5a79147, 0x06ca6351, 0x14292967,
    0x27b70a85, 0x2e1b2138, 0x4d2c6dfc, 0x53380d13, 0x650a7354, 0x766a0abb, 0x81c2c92e, 0x92722c85,
    0xa2bfe8a1, 0xa81a664b, 0xc24b8b70, 0xc76c51a3, 0xd192e819, 0xd6990624, 0xf40e3585, 0x106aa070,
    0x19a4c116, 0x1e376c08, 0x2748774c, 0x34b0bcb5, 0x391c0cb3, 0x4ed8aa4a, 0x5b9cca4f, 0x682e6ff3,
    0x748f82ee, 0x78a5636f, 0x84c87814, 0x8cc70208, 0x90befffa, 0xa4506ceb, 0xbef9a3f7, 0xc67178f2};

static uint32_t rotate_right(uint32_t word, int bits)
{
    return (word >> bits) | (word << (32 - bits));
}

static uint32_t load_be32(const uint8_t *bytes)
{
    return (uint32_t)bytes[0] << 24 | (uint32_t)bytes[1] << 16 | (uint32_t)bytes[2] << 8 | (uint32_t)bytes[3];
}

static void sha_compress(uint32_t state[8], const uint8_t block[64])
{
    uint32_t w[64];
    uint32_t v[8];

    for (int t = 0; t < 16; t++)
        w[t] = load_be32(block + 4 * t);
    for (int t = 16; t < 64; t++) {
        uint32_t s0 = rotate_right(w[t - 15], 7) ^ rotate_right(w[t - 15], 18) ^ (w[t - 15] >> 3);
        uint32_t s1 = rotate_right(w[t - 2], 17) ^ rotate_right(w[t - 2], 19) ^ (w[t - 2] >> 10);

        w[t] = w[t - 16] + s0 + w[t - 7] + s1;
    }
    memcpy(v, state, sizeof v);
    for (int t = 0; t < 64; t++) {
        uint32_t big1 = rotate_right(v[4], 6) ^ rotate_right(v[4], 11) ^ rotate_right(v[4], 25);
        uint32_t choose = (v[4] & v[5]) ^ (~v[4] & v[6]);
        uint32_t t1 = v[7] + big1 + choose + sha_constants[t] + w[t];
        uint32_t big0 = rotate_right(v[0], 2) ^ rotate_right(v[0], 13) ^ rotate_right(v[0], 22);
        uint32_t t2 = big0 + ((v[0] & v[1]) ^ (v[0] & v[2]) ^ (v[1] & v[2]));

        memmove(v + 1, v, 7 * sizeof v[0]);
        v[4] += t1;
        v[0] = t1 + t2;
    }
    for (int i = 0; i < 8; i++)
        state[i] += v[i];
}

void hf_sha256_init(struct hf_sha256 *sha)
{
    static const uint32_t initial[8] = {0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a,
                                        0x510e527f, 0x9b05688c, 0x1f83d9ab, 0x5be0cd19};

    memcpy(sha->state, initial, sizeof sha->state);
    sha->size = 0;
}

void hf_sha256_update(struct hf_sha256 *sha, const void *bytes, size_t size)
{
    const uint8_t *at = bytes;

    while (size > 0) {
        size_t filled = sha->size % 64;
        size_t take = size < 64 - filled ? size : 64 - filled;

        memcpy(sha->block + filled, at, take);
        sha->size += take;
        at += take;
        size -= take;
        if (sha->size % 64 == 0)
            sha_compress(sha->state, sha->block);
    }
}

void hf_sha256_finish(struct hf_sha256 *sha, char ret_hex[HF_SHA256_HEX])
{
    static const char digits[] = "0123456789abcdef";
    static const uint8_t padding[64] = {0x80};
    uint64_t bits = sha->size * 8;
    uint8_t length[8];

    for (int i = 0; i < 8; i++)
        length[i] = (uint8_t)(bits >> (56 - 8 * i));
    hf_sha256_update(sha, padding, 1 + (119 - sha->size % 64) % 64);
    hf_sha256_update(sha, length, sizeof length);
    for (int i = 0; i < 64; i++)
        ret_hex[i] = digits[(sha->state[i / 8] >> (28 - 4 * (i % 8))) & 0xf];
    ret_hex[64] = '\0';
}
