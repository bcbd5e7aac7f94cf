/* Checksums against their standards, and their two routes against each other. */
#include "unit/base/base_test.h"

#include "holdfast/checksum.h"
#include "holdfast/random.h"

typedef uint32_t crc_route(uint32_t previous, const void *bytes, size_t size);

/* The definition: one bit at a time (RFC 3720, B.4: polynomial 0x1EDC6F41, reflected). */
static uint32_t crc32c_bitwise(const uint8_t *bytes, size_t size)
{
    uint32_t crc = 0xffffffffu;

    for (size_t i = 0; i < size; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = (crc >> 1) ^ (crc & 1 ? 0x82f63b78u : 0);
    }
    return ~crc;
}

/* RFC 3720, appendix B.4 (there the bytes are shown in the order in which they are sent); the check value of
 * "123456789" is the catalogue's (CRC-32/ISCSI). */
static void check_standard(crc_route *route)
{
    uint8_t bytes[32];

    memset(bytes, 0, sizeof bytes);
    assert_int_equal(route(0, bytes, 32), 0x8a9136aau);
    memset(bytes, 0xff, sizeof bytes);
    assert_int_equal(route(0, bytes, 32), 0x62a8ab43u);
    for (int i = 0; i < 32; i++)
        bytes[i] = (uint8_t)i;
    assert_int_equal(route(0, bytes, 32), 0x46dd794eu);
    for (int i = 0; i < 32; i++)
        bytes[i] = (uint8_t)(31 - i);
    assert_int_equal(route(0, bytes, 32), 0x113fdb5cu);
    assert_int_equal(route(0, "123456789", 9), 0xe3069283u);
    assert_int_equal(route(0, "", 0), 0);
}

static void test_crc_standard(void **state)
{
    (void)state;
    check_standard(hf_crc32c);
    check_standard(hf_crc32c_portable);
}

static void test_crc_routes(void **state)
{
    struct hf_random random;
    uint8_t bytes[600];

    (void)state;
    hf_random_init(&random, 1, 2);
    for (size_t i = 0; i < sizeof bytes; i++)
        bytes[i] = (uint8_t)hf_random_u64(&random);
    for (size_t start = 0; start < 17; start++) {
        for (size_t size = 0; size < 300; size++) {
            uint32_t expected = crc32c_bitwise(bytes + start, size);
            size_t part = size * start / 17;

            assert_int_equal(hf_crc32c(0, bytes + start, size), expected);
            assert_int_equal(hf_crc32c_portable(0, bytes + start, size), expected);
            assert_int_equal(hf_crc32c(hf_crc32c(0, bytes + start, part), bytes + start + part, size - part),
                             expected);
            assert_int_equal(
                hf_crc32c_portable(hf_crc32c(0, bytes + start, part), bytes + start + part, size - part),
                expected);
        }
    }
}

static void check_sha(const char *text, size_t repeats, const char *expected)
{
    char hex[HF_SHA256_HEX];
    struct hf_sha256 sha;

    hf_sha256_init(&sha);
    for (size_t i = 0; i < repeats; i++)
        hf_sha256_update(&sha, text, strlen(text));
    hf_sha256_finish(&sha, hex);
    assert_string_equal(hex, expected);
}

/* FIPS 180-4 example messages (the digests from memory, agreeing with GNU coreutils' sha256sum). */
static void test_sha_standard(void **state)
{
    (void)state;
    check_sha("abc", 1, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    check_sha("", 1, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    check_sha("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq", 1,
              "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
    check_sha("abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmnhijklmnoijklmnopjklmnopqklmnopqrlmnopq"
              "rsmnopq"
              "rstnopqrstu",
              1, "cf5b16a778af8380036ce59e7b0492370b249b11e8f07a51afac45037afee9d1");
    check_sha("a", 1000000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
}

/* However the bytes are cut, around every length at which the padding changes. */
static void test_sha_parts(void **state)
{
    uint8_t bytes[300];

    (void)state;
    for (size_t i = 0; i < sizeof bytes; i++)
        bytes[i] = (uint8_t)(i * 7);
    for (size_t size = 0; size <= 260; size++) {
        char whole_hex[HF_SHA256_HEX];
        struct hf_sha256 whole;

        hf_sha256_init(&whole);
        hf_sha256_update(&whole, bytes, size);
        hf_sha256_finish(&whole, whole_hex);
        for (size_t cut = 0; cut <= size; cut += 13) {
            char hex[HF_SHA256_HEX];
            struct hf_sha256 sha;

            hf_sha256_init(&sha);
            hf_sha256_update(&sha, bytes, cut);
            hf_sha256_update(&sha, bytes + cut, size - cut);
            hf_sha256_finish(&sha, hex);
            assert_string_equal(hex, whole_hex);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_crc_standard),
        cmocka_unit_test(test_crc_routes),
        cmocka_unit_test(test_sha_standard),
        cmocka_unit_test(test_sha_parts),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
