/* What this CPU and this operating system let a program use. The registry asks; nothing else does. */
#ifndef HOLDFAST_WORKLOADS_FEATURES_H
#define HOLDFAST_WORKLOADS_FEATURES_H

#include <stdint.h>

/* Bits of what an entry needs (hf_kernel.needs). */
enum hf_feature {
    HF_FEATURE_AVX2_FMA = 1 << 0, /* AVX2, FMA and BMI2, upper halves of ymm saved by the system */
    HF_FEATURE_AVX512 = 1 << 1,   /* F, DQ, VL and BW, mask registers and zmm saved; implies AVX2_FMA */
    HF_FEATURE_AES = 1 << 2,      /* AES-NI and PCLMULQDQ */
    HF_FEATURE_SHA = 1 << 3,      /* SHA extensions, SSSE3 and SSE4.1 */
    HF_FEATURE_CRC32 = 1 << 4,    /* SSE4.2: the CRC-32C instruction */
    HF_FEATURE_VAES = 1 << 5,     /* VAES and VPCLMULQDQ, beside AVX512 or AVX2_FMA for their widths */
    HF_FEATURE_VNNI = 1 << 6,     /* AVX512_VNNI */
    HF_FEATURE_IFMA = 1 << 7,     /* AVX512_IFMA */
    /* aarch64 */
    HF_FEATURE_ASIMD = 1 << 16,    /* vectors of 128 bits */
    HF_FEATURE_ARM_AES = 1 << 17,  /* AES rounds and 64 x 64 bit carry-less multiply */
    HF_FEATURE_ARM_SHA2 = 1 << 18, /* SHA-256 */
    HF_FEATURE_ARM_CRC32 = 1 << 19 /* CRC-32C */
};

/* The registers that the answer depends on: CPUID leaf 1 ECX, leaf 7.0 EBX and ECX, and XCR0 (0 without
 * OSXSAVE). */
struct hf_feature_words {
    uint32_t leaf1_ecx;
    uint32_t leaf7_ebx;
    uint32_t leaf7_ecx;
    uint64_t xcr0;
};

unsigned hf_features_of(const struct hf_feature_words *words);

/* The same for aarch64: the kernel's word of hardware capabilities, AT_HWCAP. */
unsigned hf_features_of_hwcap(uint64_t hwcap);

unsigned hf_features_here(void);

#endif
