#include "workloads/features.h"

#if defined(__x86_64__)
#include <cpuid.h>
#endif

/* Bit positions: Intel 64 and IA-32 Architectures Software Developer's Manual, volume 2A, CPUID; volume
 * 1, 13.3 for XCR0. */
#define LEAF1_ECX_FMA      (UINT32_C(1) << 12)
#define LEAF1_ECX_OSXSAVE  (UINT32_C(1) << 27)
#define LEAF1_ECX_AVX      (UINT32_C(1) << 28)
#define LEAF7_EBX_AVX2     (UINT32_C(1) << 5)
#define LEAF7_EBX_BMI2     (UINT32_C(1) << 8)
#define LEAF7_EBX_AVX512F  (UINT32_C(1) << 16)
#define LEAF7_EBX_AVX512DQ (UINT32_C(1) << 17)
#define LEAF7_EBX_AVX512BW (UINT32_C(1) << 30)
#define LEAF7_EBX_AVX512VL (UINT32_C(1) << 31)
#define XCR0_YMM           UINT64_C(0x06) /* xmm and upper ymm halves */
#define XCR0_ZMM           UINT64_C(0xe0) /* mask registers, upper zmm halves, zmm16 to zmm31 */

static int all_of(uint64_t word, uint64_t bits)
{
    return (word & bits) == bits;
}

struct hf_features hf_features_of(uint32_t leaf1_ecx, uint32_t leaf7_ebx, uint64_t xcr0)
{
    struct hf_features features;

    features.avx2_fma = all_of(leaf1_ecx, LEAF1_ECX_FMA | LEAF1_ECX_OSXSAVE | LEAF1_ECX_AVX) &&
                        all_of(leaf7_ebx, LEAF7_EBX_AVX2 | LEAF7_EBX_BMI2) && all_of(xcr0, XCR0_YMM);
    features.avx512 =
        features.avx2_fma && all_of(xcr0, XCR0_YMM | XCR0_ZMM) &&
        all_of(leaf7_ebx, LEAF7_EBX_AVX512F | LEAF7_EBX_AVX512DQ | LEAF7_EBX_AVX512BW | LEAF7_EBX_AVX512VL);
    return features;
}

#if defined(__x86_64__)
static uint64_t xcr0_read(void)
{
    uint32_t low, high;

    __asm__ volatile("xgetbv" : "=a"(low), "=d"(high) : "c"(0));
    return (uint64_t)high << 32 | low;
}

struct hf_features hf_features_here(void)
{
    uint32_t eax, ebx, ecx, edx;
    uint32_t leaf1_ecx = 0;
    uint32_t leaf7_ebx = 0;

    if (__get_cpuid(1, &eax, &ebx, &ecx, &edx))
        leaf1_ecx = ecx;
    if (__get_cpuid_count(7, 0, &eax, &ebx, &ecx, &edx))
        leaf7_ebx = ebx;
    return hf_features_of(leaf1_ecx, leaf7_ebx, leaf1_ecx & LEAF1_ECX_OSXSAVE ? xcr0_read() : 0);
}
#else
struct hf_features hf_features_here(void)
{
    return (struct hf_features){0, 0};
}
#endif
