/*
 * Ciphers, hashes, checksums, packed integers: published vectors through every entry that runs here, and a
 * general-purpose library (OpenSSL, where it is installed) for random inputs.
 *
 * A steered chain whose steering words are 0 is the bare function over and over; with message blocks in their
 * place it is the mode that goes with it. Vectors go into every lane of a state, so a wrong lane shows.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#if defined(HOLDFAST_OPENSSL)
#include <openssl/evp.h>
#endif

#include "holdfast/kernel.h"
#include "holdfast/random.h"
#include "workloads/features.h"
#include "workloads/kernels/carryless.h"
#include "workloads/kernels/cipher.h"
#include "workloads/kernels/crc.h"
#include "workloads/kernels/hash.h"
#include "workloads/kernels/key_schedule.h"
#include "workloads/kernels/packed.h"
#include "workloads/kernels/vector_integer.h"

#define SEED  UINT64_C(20261125)
#define WORDS HF_STEERED_WORDS_MAX

static _Alignas(64) uint64_t memory[WORDS + 64];
static struct hf_steered_state *const state = (void *)memory;

/* --- bytes and words --- */

static void bytes_of_hex(const char *hex, unsigned char *ret_bytes)
{
    for (size_t i = 0; hex[2 * i] != '\0'; i++) {
        unsigned byte;

        assert_int_equal(sscanf(hex + 2 * i, "%2x", &byte), 1);
        ret_bytes[i] = (unsigned char)byte;
    }
}

static void words_of_bytes(const unsigned char *bytes, int count, uint64_t *ret_words)
{
    for (int i = 0; i < count; i++) {
        ret_words[i] = 0;
        for (int b = 7; b >= 0; b--)
            ret_words[i] = ret_words[i] << 8 | bytes[8 * i + b];
    }
}

static void words_of_hex(const char *hex, int count, uint64_t *ret_words)
{
    unsigned char bytes[128];

    assert_int_equal(strlen(hex), (size_t)count * 16);
    bytes_of_hex(hex, bytes);
    words_of_bytes(bytes, count, ret_words);
}

/* Puts `count` words into every place of the moving words, or into the steering words of every station. */
static void fill_moving(int moving, const uint64_t *words, int count)
{
    for (int i = 0; i < moving; i++)
        state->word[i] = words[i % count];
}

static void fill_steering(int moving, const uint64_t *words, int count)
{
    for (int i = 0; i < moving * HF_STEERED_STATIONS; i++)
        state->word[moving + i] = words[i % count];
}

static void check_moving(const struct hf_kernel *entry, int moving, const uint64_t *words, int count)
{
    assert_true(state->flaw == 0);
    for (int i = 0; i < moving; i++) {
        if (state->word[i] != words[i % count])
            fail_msg("%s %d %s, word %d: %016llx instead of %016llx", entry->name, entry->width_bits,
                     entry->isa, i, (unsigned long long)state->word[i], (unsigned long long)words[i % count]);
    }
}

static uint64_t *constants_at(int moving)
{
    return &state->word[moving * (HF_STEERED_STATIONS + 1)];
}

static int runs_here(const struct hf_kernel *entry)
{
    return (entry->needs & ~hf_features_here()) == 0;
}

/* Calls `check` for every entry of a kernel, of every width, that runs here. */
static void each_entry(const char *name, void (*check)(const struct hf_kernel *entry))
{
    int seen = 0;

    for (int i = 0; i < hf_kernel_count(); i++) {
        const struct hf_kernel *entries[HF_KERNEL_ENTRIES_MAX];
        int count = hf_kernel_entries(i, entries);

        for (int e = 0; e < count && strcmp(entries[e]->name, name) == 0; e++) {
            check(entries[e]);
            seen++;
        }
    }
    assert_true(seen >= 1);
}

/* --- AES --- */

static int cipher_moving(const struct hf_kernel *entry)
{
    return HF_CIPHER_VECTORS * entry->width_bits / 64;
}

/* A state whose blocks are encrypted over and over by the key: round key 0 is in the steering words. */
static void cipher_begin(int moving, const uint64_t *key, int key_words, const uint64_t text[2])
{
    uint64_t round_keys[HF_AES_ROUND_WORDS_MAX];
    int rounds = hf_aes_expand(key, key_words, round_keys);
    const uint64_t whitened[2] = {text[0] ^ round_keys[0], text[1] ^ round_keys[1]};

    memset(memory, 0, sizeof memory);
    fill_moving(moving, whitened, 2);
    fill_steering(moving, round_keys, 2);
    memcpy(constants_at(moving), round_keys + 2, (size_t)rounds * 16);
}

/* What the blocks are: without the round key that the last step added for the next. */
static void cipher_end(int moving)
{
    for (int i = 0; i < moving; i++)
        state->word[i] ^= state->word[moving + i % 2];
}

static void encrypt_many(const struct hf_kernel *entry, const uint64_t key[2], uint64_t text[2],
                         uint64_t times)
{
    int moving = cipher_moving(entry);

    cipher_begin(moving, key, 2, text);
    entry->advance(state, times);
    cipher_end(moving);
    text[0] = state->word[0];
    text[1] = state->word[1];
    check_moving(entry, moving, text, 2);
}

/* FIPS 197, appendix C.1. */
static void check_fips197(const struct hf_kernel *entry)
{
    uint64_t key[2], text[2], cipher[2];

    words_of_hex("000102030405060708090a0b0c0d0e0f", 2, key);
    words_of_hex("00112233445566778899aabbccddeeff", 2, text);
    words_of_hex("69c4e0d86a7b0430d8cdb78070b4c55a", 2, cipher);
    encrypt_many(entry, key, text, 1);
    assert_true(text[0] == cipher[0] && text[1] == cipher[1]);
}

static void test_fips197(void **unused)
{
    (void)unused;
    each_entry("cipher", check_fips197);
}

static void check_form(const struct hf_cipher_form *form, const char *key_hex, int key_words,
                       const char *cipher_hex)
{
    int moving = cipher_moving(form->entry);
    uint64_t key[4], text[2], cipher[2];

    if (!runs_here(form->entry))
        return;
    words_of_hex(key_hex, key_words, key);
    words_of_hex("00112233445566778899aabbccddeeff", 2, text);
    words_of_hex(cipher_hex, 2, cipher);
    cipher_begin(moving, key, key_words, text);
    (key_words == 3 ? form->advance_12 : form->advance_14)(state, 1);
    cipher_end(moving);
    check_moving(form->entry, moving, cipher, 2);
}

/* FIPS 197, appendices C.2 and C.3. */
static void test_fips197_long_keys(void **unused)
{
    const struct hf_cipher_form *forms[] = {
        &hf_reference_cipher_form_128,
        &hf_reference_cipher_form_256,
        &hf_reference_cipher_form_512,
#if defined(__x86_64__)
        &hf_crypto_cipher_form_128,
        &hf_avx2_cipher_form_256,
        &hf_avx512_cipher_form_512,
#endif
    };

    (void)unused;
    for (size_t i = 0; i < sizeof forms / sizeof forms[0]; i++) {
        check_form(forms[i], "000102030405060708090a0b0c0d0e0f1011121314151617", 3,
                   "dda97ca4864cdfe06eaf70a0ec0d7191");
        check_form(forms[i], "000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f", 4,
                   "8ea2b7ca516745bfeafc49904b496089");
    }
}

/*
 * ecb_e_m of the Rijndael submission's test values (Daemen and Rijmen 1998): 400 times 10,000 encryptions,
 * each of the last result; after each 10,000 the key is xored with the last result. Round 399 gives the
 * value.
 */
static void check_four_million(const struct hf_kernel *entry)
{
    uint64_t key[2] = {0, 0}, text[2] = {0, 0}, last[2];

    if (strcmp(entry->isa, "reference") == 0 && entry->width_bits > 128)
        return; /* plain C takes a while */
    for (int round = 0; round < 400; round++) {
        encrypt_many(entry, key, text, 10000);
        key[0] ^= text[0];
        key[1] ^= text[1];
    }
    words_of_hex("a04377abe259b0d0b5ba2d40a501971b", 2, last);
    if (text[0] != last[0] || text[1] != last[1])
        fail_msg("%s %d: %016llx %016llx", entry->isa, entry->width_bits, (unsigned long long)text[0],
                 (unsigned long long)text[1]);
}

static void test_four_million_encryptions(void **unused)
{
    (void)unused;
    each_entry("cipher", check_four_million);
}

/*
 * The Advanced Encryption Standard Algorithm Validation Suite (Bassham 2002), 6.4.1: ECB Monte Carlo, 100
 * times 1000 encryptions with a key that changes in the same way. Key, text and last result: from the suite's
 * example file ECBMCT128.
 */
static void check_monte_carlo(const struct hf_kernel *entry)
{
    uint64_t key[2], text[2], last[2];

    words_of_hex("139a35422f1d61de3c91787fe0507afd", 2, key);
    words_of_hex("b9145a768b7dc489a096b546f43b231f", 2, text);
    words_of_hex("fb2649694783b551eacd9d5db6126d47", 2, last);
    for (int round = 0; round < 100; round++) {
        encrypt_many(entry, key, text, 1000);
        key[0] ^= text[0];
        key[1] ^= text[1];
    }
    assert_true(text[0] == last[0] && text[1] == last[1]);
}

static void test_monte_carlo(void **unused)
{
    (void)unused;
    each_entry("cipher", check_monte_carlo);
}

/* FIPS 197, appendix A.1: the last round key of 2b7e151628aed2a6abf7158809cf4f3c, words w40 to w43. */
static void check_key_expansion(const struct hf_kernel *entry)
{
    uint64_t key[2], last[2];

    words_of_hex("2b7e151628aed2a6abf7158809cf4f3c", 2, key);
    words_of_hex("d014f9a8c9ee2589e13f0cc8b6630ca6", 2, last);
    memset(memory, 0, sizeof memory);
    fill_moving(HF_KEYS_MOVING, key, 2);
    entry->advance(state, 1);
    check_moving(entry, HF_KEYS_MOVING, last, 2);
}

static void test_key_expansion(void **unused)
{
    uint64_t key[4], round_keys[HF_AES_ROUND_WORDS_MAX], last[2];

    (void)unused;
    each_entry("key-schedule", check_key_expansion);
    /* the same appendix, A.3: w56 to w59 of the key of 256 bit */
    words_of_hex("603deb1015ca71be2b73aef0857d77811f352c073b6108d72d9810a30914dff4", 4, key);
    words_of_hex("fe4890d1e6188d0b046df344706c631e", 2, last);
    assert_int_equal(hf_aes_expand(key, 4, round_keys), 14);
    assert_true(round_keys[28] == last[0] && round_keys[29] == last[1]);
}

/* --- carry-less products --- */

static int carryless_moving(const struct hf_kernel *entry)
{
    return HF_CARRYLESS_VECTORS * entry->width_bits / 64;
}

/* The checksum of blocks with key h, in all elements; the blocks are added by the steering words. */
static void carryless_sum(const struct hf_kernel *entry, const uint64_t h[2], const uint64_t (*blocks)[2],
                          int count)
{
    int moving = carryless_moving(entry);
    static const uint64_t zero[2];

    memset(memory, 0, sizeof memory);
    memcpy(constants_at(moving), h, 16);
    fill_moving(moving, blocks[0], 2);
    for (int i = 1; i <= count; i++) {
        fill_steering(moving, i < count ? blocks[i] : zero, 2);
        entry->advance(state, 1);
    }
}

/* RFC 8452, appendix A: POLYVAL of two blocks. */
static void check_polyval(const struct hf_kernel *entry)
{
    uint64_t h[2], blocks[2][2], sum[2];

    words_of_hex("25629347589242761d31f826ba4b757b", 2, h);
    words_of_hex("4f4f95668c83dfb6401762bb2d01a262", 2, blocks[0]);
    words_of_hex("d1a24ddd2721d006bbe45f20d3c9f362", 2, blocks[1]);
    words_of_hex("f7a3b47b846119fae5b7866cf5e5b77e", 2, sum);
    carryless_sum(entry, h, (const uint64_t(*)[2])blocks, 2);
    check_moving(entry, carryless_moving(entry), sum, 2);
}

/* GHASH's bytes the other way round, as words. */
static void mirrored_hex(const char *hex, uint64_t ret_words[2])
{
    unsigned char bytes[16], turned[16];

    assert_int_equal(strlen(hex), 32);
    bytes_of_hex(hex, bytes);
    for (int i = 0; i < 16; i++)
        turned[i] = bytes[15 - i];
    words_of_bytes(turned, 2, ret_words);
}

/* RFC 8452, appendix A: GHASH(H, X) is POLYVAL(x ByteReverse(H), ByteReverse(X)), bytes turned round. */
static void times_x(uint64_t h[2])
{
    uint64_t carry = h[1] >> 63;

    h[1] = h[1] << 1 | h[0] >> 63;
    h[0] <<= 1;
    h[0] ^= carry;
    h[1] ^= carry * HF_CARRYLESS_REDUCER;
}

/*
 * The Galois/Counter Mode of Operation (McGrew and Viega 2005), appendix B: H, ciphertext, lengths and GHASH
 * of test cases 2 and 3.
 */
static void check_ghash(const struct hf_kernel *entry)
{
    static const struct {
        const char *h, *block[5], *sum;
    } cases[] = {
        {"66e94bd4ef8a2c3b884cfa59ca342b2e",
         {"0388dace60b6a392f328c2b971b2fe78", "00000000000000000000000000000080"},
         "f38cbb1ad69223dcc3457ae5b6b0f885"},
        {"b83b533708bf535d0aa6e52980d53b78",
         {"42831ec2217774244b7221b784d0d49c", "e3aa212f2c02a4e035c17e2329aca12e",
          "21d514b25466931c7d8f6a5aac84aa05", "1ba30b396a0aac973d58e091473f5985",
          "00000000000000000000000000000200"},
         "7f1b32b81b820d02614f8895ac1d4eac"},
    };

    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        uint64_t h[2], blocks[5][2], sum[2];
        int count = 0;

        mirrored_hex(cases[c].h, h);
        times_x(h);
        for (; count < 5 && cases[c].block[count] != NULL; count++)
            mirrored_hex(cases[c].block[count], blocks[count]);
        mirrored_hex(cases[c].sum, sum);
        carryless_sum(entry, h, (const uint64_t(*)[2])blocks, count);
        check_moving(entry, carryless_moving(entry), sum, 2);
    }
}

static void test_carryless(void **unused)
{
    (void)unused;
    each_entry("carry-less", check_polyval);
    each_entry("carry-less", check_ghash);
}

/* The field's own laws, for random elements: the unit of the product is x^128, and squares of sums are sums
 * of squares. */
static void test_carryless_field(void **unused)
{
    const uint64_t unit[2] = {1, HF_CARRYLESS_REDUCER}; /* x^128 modulo the modulus */
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 11);
    for (int i = 0; i < 1000; i++) {
        uint64_t a[2] = {hf_random_u64(&random), hf_random_u64(&random)};
        uint64_t b[2] = {hf_random_u64(&random), hf_random_u64(&random)};
        uint64_t ab[2] = {a[0], a[1]}, ba[2] = {b[0], b[1]}, au[2] = {a[0], a[1]};
        uint64_t sum[2] = {a[0] ^ b[0], a[1] ^ b[1]}, sum_again[2] = {sum[0], sum[1]};
        uint64_t aa[2] = {a[0], a[1]}, bb[2] = {b[0], b[1]};

        hf_carryless_dot(ab, b);
        hf_carryless_dot(ba, a);
        hf_carryless_dot(au, unit);
        hf_carryless_dot(sum, sum_again);
        hf_carryless_dot(aa, a);
        hf_carryless_dot(bb, b);
        assert_true(ab[0] == ba[0] && ab[1] == ba[1]);
        assert_true(au[0] == a[0] && au[1] == a[1]);
        assert_true(sum[0] == (aa[0] ^ bb[0]) && sum[1] == (aa[1] ^ bb[1]));
    }
}

/* --- SHA-256 --- */

/* a to h in the order of a stream's halves. */
static void hash_words(const uint32_t h[8], uint64_t ret_words[4])
{
    static const int at[8] = {5, 4, 1, 0, 7, 6, 3, 2};

    for (int i = 0; i < 4; i++)
        ret_words[i] = (uint64_t)h[at[2 * i + 1]] << 32 | h[at[2 * i]];
}

static const uint32_t sha256_initial[8] = {0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a,
                                           0x510e527f, 0x9b05688c, 0x1f83d9ab, 0x5be0cd19};

/* Takes a block of 64 bytes into every stream `times` times. */
static void hash_block(const struct hf_kernel *entry, const unsigned char bytes[64], uint64_t times)
{
    uint64_t block[HF_HASH_BLOCK];
    unsigned char swapped[64];

    for (int i = 0; i < 64; i++)
        swapped[i] = bytes[i ^ 3]; /* words of 32 bit, the first byte highest */
    words_of_bytes(swapped, HF_HASH_BLOCK, block);
    for (int i = 0; i < HF_HASH_CONSTANTS; i++)
        constants_at(HF_HASH_MOVING)[i] = block[i % HF_HASH_BLOCK];
    entry->advance(state, times);
}

static void hash_begin(void)
{
    uint64_t words[4];

    memset(memory, 0, sizeof memory);
    hash_words(sha256_initial, words);
    fill_moving(HF_HASH_MOVING, words, 4);
}

/* The padding of FIPS 180-4, 5.1.1, behind `rest` bytes of a message of `length` bytes; one more block. */
static void padded(const char *rest, size_t rest_bytes, uint64_t length, unsigned char ret_block[64])
{
    assert_true(rest_bytes < 56);
    memset(ret_block, 0, 64);
    memcpy(ret_block, rest, rest_bytes);
    ret_block[rest_bytes] = 0x80;
    for (int i = 0; i < 8; i++)
        ret_block[63 - i] = (unsigned char)(length * 8 >> 8 * i);
}

static void check_hash(const struct hf_kernel *entry, const char *hex)
{
    unsigned char bytes[32];
    uint32_t h[8];
    uint64_t words[4];

    bytes_of_hex(hex, bytes);
    for (int i = 0; i < 8; i++)
        h[i] = (uint32_t)bytes[4 * i] << 24 | (uint32_t)bytes[4 * i + 1] << 16 |
               (uint32_t)bytes[4 * i + 2] << 8 | bytes[4 * i + 3];
    hash_words(h, words);
    check_moving(entry, HF_HASH_MOVING, words, 4);
}

/* FIPS 180-4 (examples published with it): abc, and a million times a. */
static void check_sha256(const struct hf_kernel *entry)
{
    unsigned char block[64];

    hash_begin();
    padded("abc", 3, 3, block);
    hash_block(entry, block, 1);
    check_hash(entry, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    hash_begin();
    memset(block, 'a', 64);
    hash_block(entry, block, 1000000 / 64);
    padded("", 0, 1000000, block);
    hash_block(entry, block, 1);
    check_hash(entry, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
}

static void test_sha256(void **unused)
{
    (void)unused;
    each_entry("hash", check_sha256);
}

/* --- CRC-32C --- */

/* Takes whole blocks of HF_CRC_WORDS words into every register. */
static void crc_block(const struct hf_kernel *entry, const uint64_t *words)
{
    for (int i = 0; i < HF_CRC_CONSTANTS; i++)
        constants_at(HF_CRC_MOVING)[i] = words[i / HF_CRC_CHAINS % HF_CRC_WORDS];
    entry->advance(state, 1);
}

/*
 * A message shorter than a block: zeros before it change a register that begins with 0 in nothing, so the
 * message goes to the end of the block, and the register that RFC 3720 begins with (all ones) is added to its
 * first four bytes.
 */
static uint32_t crc_of(const struct hf_kernel *entry, const unsigned char *bytes, size_t count)
{
    unsigned char block[8 * HF_CRC_WORDS] = {0};
    uint64_t words[HF_CRC_WORDS], all;
    size_t first = sizeof block - count;

    assert_true(count >= 4 && count <= sizeof block);
    memcpy(block + first, bytes, count);
    for (size_t i = 0; i < 4; i++)
        block[first + i] ^= 0xff;
    words_of_bytes(block, HF_CRC_WORDS, words);
    memset(memory, 0, sizeof memory);
    crc_block(entry, words);
    all = state->word[0];
    check_moving(entry, HF_CRC_MOVING, &all, 1);
    assert_true(all >> 32 == (uint32_t)all);
    return ~(uint32_t)all;
}

/* RFC 3720, B.4 (its CRCs are printed in the order of the bytes sent); the check value of the CRC catalogue.
 */
static void check_crc(const struct hf_kernel *entry)
{
    unsigned char bytes[32];

    memset(bytes, 0, sizeof bytes);
    assert_int_equal(crc_of(entry, bytes, 32), 0x8a9136aa);
    memset(bytes, 0xff, sizeof bytes);
    assert_int_equal(crc_of(entry, bytes, 32), 0x62a8ab43);
    for (int i = 0; i < 32; i++)
        bytes[i] = (unsigned char)i;
    assert_int_equal(crc_of(entry, bytes, 32), 0x46dd794e);
    for (int i = 0; i < 32; i++)
        bytes[i] = (unsigned char)(31 - i);
    assert_int_equal(crc_of(entry, bytes, 32), 0x113fdb5c);
    assert_int_equal(crc_of(entry, (const unsigned char *)"123456789", 9), 0xe3069283);
}

/* x^(64 HF_CRC_WORDS n) times a register, by powers of a matrix over GF(2): the closed form for zeros. */
static uint32_t matrix_apply(const uint32_t matrix[32], uint32_t vector)
{
    uint32_t sum = 0;

    for (int i = 0; i < 32; i++)
        sum ^= matrix[i] & (0 - (vector >> i & 1));
    return sum;
}

static uint32_t crc_of_zeros(uint32_t crc, uint64_t bits)
{
    uint32_t matrix[32];

    for (int i = 0; i < 32; i++) /* one bit: shift right, subtract the polynomial for a bit that falls out */
        matrix[i] = i == 0 ? 0x82f63b78 : UINT32_C(1) << (i - 1);
    for (; bits != 0; bits >>= 1) {
        uint32_t square[32];

        if (bits & 1)
            crc = matrix_apply(matrix, crc);
        for (int i = 0; i < 32; i++)
            square[i] = matrix_apply(matrix, matrix[i]);
        memcpy(matrix, square, sizeof matrix);
    }
    return crc;
}

static void check_crc_chains(const struct hf_kernel *entry)
{
    struct hf_random random;

    hf_random_init(&random, SEED, 12);
    for (int i = 0; i < 200; i++) {
        uint64_t steps = hf_random_below(&random, 2000);
        uint64_t begin[HF_CRC_MOVING], end[HF_CRC_MOVING];

        memset(memory, 0, sizeof memory);
        for (int w = 0; w < HF_CRC_MOVING; w++) {
            begin[w] = hf_random_u64(&random);
            end[w] = (uint64_t)crc_of_zeros((uint32_t)(begin[w] >> 32), steps * HF_CRC_WORDS * 64) << 32 |
                     crc_of_zeros((uint32_t)begin[w], steps * HF_CRC_WORDS * 64);
        }
        fill_moving(HF_CRC_MOVING, begin, HF_CRC_MOVING);
        entry->advance(state, steps);
        check_moving(entry, HF_CRC_MOVING, end, HF_CRC_MOVING);
    }
}

static void test_crc(void **unused)
{
    (void)unused;
    each_entry("crc", check_crc);
    each_entry("crc", check_crc_chains);
}

/* --- ChaCha20 --- */

static int chacha_moving(const struct hf_kernel *entry)
{
    return HF_CHACHA_GROUPS * entry->width_bits / 16;
}

/* Where word `word` of a block lies among the halves of the moving words. */
static int chacha_half(int group, int block, int word, int blocks)
{
    return ((group * 4 + word / 4) * blocks + block) * 4 + word % 4;
}

static void half_put(int half, uint32_t value)
{
    uint64_t *word = &state->word[half / 2];
    int shift = 32 * (half % 2);

    *word = (*word & ~(UINT64_C(0xffffffff) << shift)) | (uint64_t)value << shift;
}

static uint32_t half_get(int half)
{
    return (uint32_t)(state->word[half / 2] >> 32 * (half % 2));
}

/* Runs the 20 rounds on the same block in every place and returns its words, which must be the same in all.
 */
static void chacha_rounds(const struct hf_kernel *entry, const uint32_t input[16], uint32_t ret_output[16])
{
    int blocks = entry->width_bits / 128;

    memset(memory, 0, sizeof memory);
    assert_int_equal(HF_CHACHA_GROUPS * blocks * 8, chacha_moving(entry));
    for (int b = 0; b < HF_CHACHA_GROUPS * blocks; b++) {
        for (int w = 0; w < 16; w++)
            half_put(chacha_half(b / blocks, b % blocks, w, blocks), input[w]);
    }
    entry->advance(state, 10 / HF_CHACHA_DOUBLES);
    for (int w = 0; w < 16; w++)
        ret_output[w] = half_get(chacha_half(0, 0, w, blocks));
    for (int b = 0; b < HF_CHACHA_GROUPS * blocks; b++) {
        for (int w = 0; w < 16; w++)
            assert_int_equal(half_get(chacha_half(b / blocks, b % blocks, w, blocks)), ret_output[w]);
    }
    assert_true(state->flaw == 0);
}

/* RFC 8439, 2.3.2: the state before and after 20 rounds, and the block. */
static void check_chacha(const struct hf_kernel *entry)
{
    static const uint32_t input[16] = {0x61707865, 0x3320646e, 0x79622d32, 0x6b206574, 0x03020100, 0x07060504,
                                       0x0b0a0908, 0x0f0e0d0c, 0x13121110, 0x17161514, 0x1b1a1918, 0x1f1e1d1c,
                                       0x00000001, 0x09000000, 0x4a000000, 0x00000000};
    static const uint32_t rounds[16] = {
        0x837778ab, 0xe238d763, 0xa67ae21e, 0x5950bb2f, 0xc4f2d0c7, 0xfc62bb2f, 0x8fa018fc, 0x3f5ec7b7,
        0x335271c2, 0xf29489f3, 0xeabda8fc, 0x82e46ebd, 0xd19c12b4, 0xb04e16de, 0x9e83d0cb, 0x4e3c50a2};
    static const uint32_t block[16] = {0xe4e7f110, 0x15593bd1, 0x1fdd0f50, 0xc47120a3, 0xc7f4d1c7, 0x0368c033,
                                       0x9aaa2204, 0x4e6cd4c3, 0x466482d2, 0x09aa9f07, 0x05d7c214, 0xa2028bd9,
                                       0xd19c12b5, 0xb94e16de, 0xe883d0cb, 0x4e3c50a2};
    uint32_t output[16];

    chacha_rounds(entry, input, output);
    for (int i = 0; i < 16; i++) {
        assert_int_equal(output[i], rounds[i]);
        assert_int_equal(output[i] + input[i], block[i]);
    }
}

static void test_chacha(void **unused)
{
    uint32_t x[4] = {0x11111111, 0x01020304, 0x9b8d6f43, 0x01234567}; /* RFC 8439, 2.1.1 */
    static const uint32_t quarter[4] = {0xea2a92f4, 0xcb1cf8ce, 0x4581472e, 0x5881c4bb};

    (void)unused;
    hf_chacha_quarter_round(x);
    assert_memory_equal(x, quarter, sizeof x);
    assert_int_equal(10 % HF_CHACHA_DOUBLES, 0);
    each_entry("vector-integer", check_chacha);
}

/* --- packed products: by the definition, in the integers --- */

static void check_packed(const struct hf_kernel *entry)
{
    int vector = entry->width_bits / 64;
    int moving = HF_PACKED_PAIRS * 2 * vector;
    struct hf_random random;

    hf_random_init(&random, SEED, 13);
    for (int turn = 0; turn < 200; turn++) {
        static int64_t half[HF_STEERED_WORDS_MAX];
        unsigned char k[32];

        memset(memory, 0, sizeof memory);
        for (int i = 0; i < 16; i++)
            k[i] = (unsigned char)hf_random_u64(&random);
        for (int i = 16; i < 32; i++)
            k[i] = (unsigned char)((int)hf_random_below(&random, 127) - 63);
        words_of_bytes(k, HF_PACKED_CONSTANTS, constants_at(moving));
        for (int i = 0; i < moving; i++)
            state->word[i] = hf_random_u64(&random);
        for (int i = 0; i < 2 * moving; i++)
            half[i] = half_get(i);
        for (int i = 0; i < moving; i++) { /* sums of pair i / (2 vector) */
            int left = i / (2 * vector) * 4 * vector + i % (2 * vector), right = left + 2 * vector, c = i % 4;
            const int64_t range = INT64_C(1) << 32;

            for (int round = 0; round < HF_PACKED_ROUNDS; round++) {
                for (int h = 0; h < 2; h++) {
                    int64_t x = half[right] >> 16 * h & 0xffff,
                            f = k[4 * c + 2 * h] | k[4 * c + 2 * h + 1] << 8;

                    half[left] += (x - (x >> 15 << 16)) * (f - (f >> 15 << 16));
                }
                half[left] = (half[left] % range + range) % range;
                for (int b = 0; b < 4; b++) {
                    int64_t f = k[16 + 4 * c + b];

                    half[right] += (half[left] >> 8 * b & 0xff) * (f - (f >> 7 << 8));
                }
                half[right] = (half[right] % range + range) % range;
            }
        }
        entry->advance(state, 1);
        assert_true(state->flaw == 0);
        for (int i = 0; i < 2 * moving; i++)
            assert_int_equal((uint64_t)half[i], half_get(i));
    }
}

static void test_packed(void **unused)
{
    (void)unused;
    each_entry("packed-multiply", check_packed);
}

/* --- random inputs, against a general-purpose library --- */

#if defined(HOLDFAST_OPENSSL)
static void random_bytes(struct hf_random *random, unsigned char *bytes, size_t count)
{
    for (size_t i = 0; i < count; i++)
        bytes[i] = (unsigned char)hf_random_u64(random);
}

static void check_cipher_random(const struct hf_kernel *entry)
{
    EVP_CIPHER_CTX *context = EVP_CIPHER_CTX_new();
    struct hf_random random;

    hf_random_init(&random, SEED, 14);
    assert_non_null(context);
    for (int i = 0; i < 100; i++) {
        unsigned char key_bytes[16], bytes[32];
        uint64_t key[2], text[2], cipher[2];
        int length = 0;

        random_bytes(&random, key_bytes, 16);
        random_bytes(&random, bytes, 16);
        words_of_bytes(key_bytes, 2, key);
        words_of_bytes(bytes, 2, text);
        assert_int_equal(EVP_EncryptInit_ex(context, EVP_aes_128_ecb(), NULL, key_bytes, NULL), 1);
        for (int turn = 0; turn < 7; turn++)
            assert_int_equal(EVP_EncryptUpdate(context, bytes, &length, bytes, 16), 1);
        words_of_bytes(bytes, 2, cipher);
        encrypt_many(entry, key, text, 7);
        assert_true(text[0] == cipher[0] && text[1] == cipher[1]);
    }
    EVP_CIPHER_CTX_free(context);
}

static void check_hash_random(const struct hf_kernel *entry)
{
    struct hf_random random;

    hf_random_init(&random, SEED, 15);
    for (int i = 0; i < 100; i++) {
        unsigned char message[64 * 5 + 55], block[64], digest[32];
        char hex[65];
        size_t length = hf_random_below(&random, sizeof message);
        size_t whole = length / 64;
        unsigned bytes = 0;

        if (length % 64 > 55)
            length -= 20;
        random_bytes(&random, message, length);
        hash_begin();
        for (size_t b = 0; b < whole; b++)
            hash_block(entry, message + 64 * b, 1);
        padded((const char *)message + 64 * whole, length - 64 * whole, length, block);
        hash_block(entry, block, 1);
        assert_int_equal(EVP_Digest(message, length, digest, &bytes, EVP_sha256(), NULL), 1);
        for (int d = 0; d < 32; d++)
            (void)snprintf(hex + 2 * d, 3, "%02x", digest[d]);
        check_hash(entry, hex);
    }
}

static void check_chacha_random(const struct hf_kernel *entry)
{
    EVP_CIPHER_CTX *context = EVP_CIPHER_CTX_new();
    struct hf_random random;

    hf_random_init(&random, SEED, 16);
    assert_non_null(context);
    for (int i = 0; i < 100; i++) {
        static const unsigned char zeros[64];
        unsigned char key[32], counter_nonce[16], stream[64];
        uint32_t input[16] = {0x61707865, 0x3320646e, 0x79622d32, 0x6b206574}, output[16];
        int length = 0;

        random_bytes(&random, key, 32);
        random_bytes(&random, counter_nonce, 16);
        assert_int_equal(EVP_EncryptInit_ex(context, EVP_chacha20(), NULL, key, counter_nonce), 1);
        assert_int_equal(EVP_EncryptUpdate(context, stream, &length, zeros, 64), 1);
        for (int w = 4; w < 16; w++) {
            const unsigned char *from = w < 12 ? key + 4 * (w - 4) : counter_nonce + 4 * (w - 12);

            input[w] = from[0] | (uint32_t)from[1] << 8 | (uint32_t)from[2] << 16 | (uint32_t)from[3] << 24;
        }
        chacha_rounds(entry, input, output);
        for (int w = 0; w < 16; w++) {
            uint32_t sum = output[w] + input[w];

            for (int b = 0; b < 4; b++)
                assert_int_equal(stream[4 * w + b], sum >> 8 * b & 0xff);
        }
    }
    EVP_CIPHER_CTX_free(context);
}

static void test_against_library(void **unused)
{
    (void)unused;
    each_entry("cipher", check_cipher_random);
    each_entry("hash", check_hash_random);
    each_entry("vector-integer", check_chacha_random);
}
#else
static void test_against_library(void **unused)
{
    (void)unused;
    print_message("built without OpenSSL\n");
    skip();
}
#endif

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_fips197),
        cmocka_unit_test(test_fips197_long_keys),
        cmocka_unit_test(test_four_million_encryptions),
        cmocka_unit_test(test_monte_carlo),
        cmocka_unit_test(test_key_expansion),
        cmocka_unit_test(test_carryless),
        cmocka_unit_test(test_carryless_field),
        cmocka_unit_test(test_sha256),
        cmocka_unit_test(test_crc),
        cmocka_unit_test(test_chacha),
        cmocka_unit_test(test_packed),
        cmocka_unit_test(test_against_library),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
