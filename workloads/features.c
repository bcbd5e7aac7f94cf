#include "workloads/features.h"

#include <stddef.h>

#if defined(__x86_64__)
#include <cpuid.h>
#elif defined(__aarch64__)
#include <sys/auxv.h>
#endif

/* Bit positions: Intel 64 and IA-32 Architectures Software Developer's Manual, volume 2A, CPUID; volume
 * 1, 13.3 for XCR0. */
#define LEAF1_ECX_PCLMULQDQ (UINT32_C(1) << 1)
#define LEAF1_ECX_SSSE3     (UINT32_C(1) << 9)
#define LEAF1_ECX_FMA       (UINT32_C(1) << 12)
#define LEAF1_ECX_SSE41     (UINT32_C(1) << 19)
#define LEAF1_ECX_SSE42     (UINT32_C(1) << 20)
#define LEAF1_ECX_AES       (UINT32_C(1) << 25)
#define LEAF1_ECX_OSXSAVE   (UINT32_C(1) << 27)
#define LEAF1_ECX_AVX       (UINT32_C(1) << 28)
#define LEAF7_EBX_AVX2      (UINT32_C(1) << 5)
#define LEAF7_EBX_BMI2      (UINT32_C(1) << 8)
#define LEAF7_EBX_AVX512F   (UINT32_C(1) << 16)
#define LEAF7_EBX_AVX512DQ  (UINT32_C(1) << 17)
#define LEAF7_EBX_IFMA      (UINT32_C(1) << 21)
#define LEAF7_EBX_SHA       (UINT32_C(1) << 29)
#define LEAF7_EBX_AVX512BW  (UINT32_C(1) << 30)
#define LEAF7_EBX_AVX512VL  (UINT32_C(1) << 31)
#define LEAF7_ECX_VAES      (UINT32_C(1) << 9)
#define LEAF7_ECX_VPCLMUL   (UINT32_C(1) << 10)
#define LEAF7_ECX_VNNI      (UINT32_C(1) << 11)
#define XCR0_YMM            UINT64_C(0x06) /* xmm and upper ymm halves */
#define XCR0_ZMM            UINT64_C(0xe0) /* mask registers, upper zmm halves, zmm16 to zmm31 */

/* Which bits of the four words a feature asks for, and which other features. */
struct need {
    unsigned feature;
    unsigned implied;
    struct hf_feature_words bits;
};

static const struct need needs[] = {
    {HF_FEATURE_AVX2_FMA,
     0,
     {.leaf1_ecx = LEAF1_ECX_FMA | LEAF1_ECX_OSXSAVE | LEAF1_ECX_AVX,
      .leaf7_ebx = LEAF7_EBX_AVX2 | LEAF7_EBX_BMI2,
      .xcr0 = XCR0_YMM}},
    {HF_FEATURE_AVX512,
     HF_FEATURE_AVX2_FMA,
     {.leaf7_ebx = LEAF7_EBX_AVX512F | LEAF7_EBX_AVX512DQ | LEAF7_EBX_AVX512BW | LEAF7_EBX_AVX512VL,
      .xcr0 = XCR0_YMM | XCR0_ZMM}},
    {HF_FEATURE_AES,
     0,
     {.leaf1_ecx = LEAF1_ECX_AES | LEAF1_ECX_PCLMULQDQ | LEAF1_ECX_SSSE3 | LEAF1_ECX_SSE41}},
    {HF_FEATURE_SHA, 0, {.leaf1_ecx = LEAF1_ECX_SSSE3 | LEAF1_ECX_SSE41, .leaf7_ebx = LEAF7_EBX_SHA}},
    {HF_FEATURE_CRC32, 0, {.leaf1_ecx = LEAF1_ECX_SSE42}},
    {HF_FEATURE_VAES, HF_FEATURE_AVX2_FMA, {.leaf7_ecx = LEAF7_ECX_VAES | LEAF7_ECX_VPCLMUL}},
    {HF_FEATURE_VNNI, HF_FEATURE_AVX512, {.leaf7_ecx = LEAF7_ECX_VNNI}},
    {HF_FEATURE_IFMA, HF_FEATURE_AVX512, {.leaf7_ebx = LEAF7_EBX_IFMA}},
};

static int all_of(uint64_t word, uint64_t bits)
{
    return (word & bits) == bits;
}

static int met(const struct need *need, const struct hf_feature_words *words, unsigned so_far)
{
    return all_of(so_far, need->implied) && all_of(words->leaf1_ecx, need->bits.leaf1_ecx) &&
           all_of(words->leaf7_ebx, need->bits.leaf7_ebx) && all_of(words->leaf7_ecx, need->bits.leaf7_ecx) &&
           all_of(words->xcr0, need->bits.xcr0);
}

unsigned hf_features_of(const struct hf_feature_words *words)
{
    unsigned features = 0;

    for (size_t i = 0; i < sizeof needs / sizeof needs[0]; i++) {
        if (met(&needs[i], words, features))
            features |= needs[i].feature;
    }
    return features;
}

/* Linux, arch/arm64/include/uapi/asm/hwcap.h; Documentation/arch/arm64/elf_hwcaps.rst. */
#define HWCAP_WORD_ASIMD (UINT64_C(1) << 1)
#define HWCAP_WORD_AES   (UINT64_C(1) << 3)
#define HWCAP_WORD_PMULL (UINT64_C(1) << 4)
#define HWCAP_WORD_SHA2  (UINT64_C(1) << 6)
#define HWCAP_WORD_CRC32 (UINT64_C(1) << 7)

unsigned hf_features_of_hwcap(uint64_t hwcap)
{
    unsigned features = 0;

    if (!all_of(hwcap, HWCAP_WORD_ASIMD))
        return 0;
    features |= HF_FEATURE_ASIMD;
    if (all_of(hwcap, HWCAP_WORD_AES | HWCAP_WORD_PMULL))
        features |= HF_FEATURE_ARM_AES;
    if (all_of(hwcap, HWCAP_WORD_SHA2))
        features |= HF_FEATURE_ARM_SHA2;
    if (all_of(hwcap, HWCAP_WORD_CRC32))
        features |= HF_FEATURE_ARM_CRC32;
    return features;
}

#if defined(__x86_64__)
static uint64_t xcr0_read(void)
{
    uint32_t low, high;

    __asm__ volatile("xgetbv" : "=a"(low), "=d"(high) : "c"(0));
    return (uint64_t)high << 32 | low;
}

unsigned hf_features_here(void)
{
    struct hf_feature_words words = {0};
    uint32_t eax, ebx, ecx, edx;

    if (__get_cpuid(1, &eax, &ebx, &ecx, &edx))
        words.leaf1_ecx = ecx;
    if (__get_cpuid_count(7, 0, &eax, &ebx, &ecx, &edx)) {
        words.leaf7_ebx = ebx;
        words.leaf7_ecx = ecx;
    }
    if (words.leaf1_ecx & LEAF1_ECX_OSXSAVE)
        words.xcr0 = xcr0_read();
    return hf_features_of(&words);
}
#elif defined(__aarch64__)
unsigned hf_features_here(void)
{
    return hf_features_of_hwcap(getauxval(AT_HWCAP));
}
#else
unsigned hf_features_here(void)
{
    return 0;
}
#endif
