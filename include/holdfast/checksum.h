/*
 * Checksums: CRC-32C for the journal's chain, SHA-256 for digests of profiles and certificates.
 *
 * CRC-32C: polynomial 0x1EDC6F41 reflected, initial and final value all ones (RFC 3720, appendix B.4).
 * SHA-256: FIPS 180-4.
 */
#ifndef HOLDFAST_CHECKSUM_H
#define HOLDFAST_CHECKSUM_H

#include <stddef.h>
#include <stdint.h>

/* Continues a CRC-32C: pass 0 for the first part, the previous result for the next. */
uint32_t hf_crc32c(uint32_t previous, const void *bytes, size_t size);

/* The same by table only; the two routes are compared by the tests. */
uint32_t hf_crc32c_portable(uint32_t previous, const void *bytes, size_t size);

struct hf_sha256 {
    uint32_t state[8];
    uint64_t size;
    uint8_t block[64];
};

#define HF_SHA256_HEX 65 /* 64 digits and a NUL */

void hf_sha256_init(struct hf_sha256 *sha);
void hf_sha256_update(struct hf_sha256 *sha, const void *bytes, size_t size);
void hf_sha256_finish(struct hf_sha256 *sha, char ret_hex[HF_SHA256_HEX]);

#endif
