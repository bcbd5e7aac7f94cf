/* gather at 256 bit: gathers of four words; AVX2 has no scatters. See gather_vector.h. */
#include "workloads/kernels/gather.h"
#include "workloads/features.h"
#include "workloads/kernels/intrinsics.h"

#define ISA                       "avx2"
#define NEEDS                     HF_FEATURE_AVX2_FMA
#define BURST_L1                  1500
#define BURST_L2                  1500
#define BURST_L3                  500
#define BURST_MEMORY              80
#define WIDTH                     256
#define ENTRY_OF(label)           hf_avx2_gather_256_##label
#define VECTOR                    __m256i
#define VECTOR_LANES              4
#define V_SET(word)               _mm256_set1_epi64x((long long)(word))
#define V_LOAD(p)                 _mm256_loadu_si256((const __m256i *)(const void *)(p))
#define V_STORE(p, v)             _mm256_storeu_si256((__m256i *)(void *)(p), (v))
#define V_ADD(a, b)               _mm256_add_epi64((a), (b))
#define V_AND(a, b)               _mm256_and_si256((a), (b))
#define V_OR(a, b)                _mm256_or_si256((a), (b))
#define V_XOR(a, b)               _mm256_xor_si256((a), (b))
#define V_MULTIPLY_LOW(a, b)      _mm256_mul_epu32((a), (b))
#define V_GATHER(base, index)     _mm256_i64gather_epi64((const long long *)(const void *)(base), (index), 8)
#define V_SCATTER(base, index, v) ((void)(v))
#define V_OPAQUE(v)               __asm__ volatile("" : "+x"(v))
#include "workloads/kernels/gather_vector.h"
