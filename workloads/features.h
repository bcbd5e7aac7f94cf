/* What this CPU and this operating system let a program use. The registry asks; nothing else does. */
#ifndef HOLDFAST_WORKLOADS_FEATURES_H
#define HOLDFAST_WORKLOADS_FEATURES_H

#include <stdint.h>

struct hf_features {
    int avx2_fma; /* AVX2, FMA and BMI2, upper halves of ymm saved by the system */
    int avx512;   /* F, DQ, VL and BW, mask registers and zmm saved by the system; implies avx2_fma */
};

/* The registers that the answer depends on: CPUID leaf 1 ECX, leaf 7.0 EBX, and XCR0 (0 without OSXSAVE). */
struct hf_features hf_features_of(uint32_t leaf1_ecx, uint32_t leaf7_ebx, uint64_t xcr0);

struct hf_features hf_features_here(void);

#endif
