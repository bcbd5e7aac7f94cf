/* carry-less at 256 bit: VPCLMULQDQ beside AVX2 (this file is built with it too). See carryless_vector.h. */
#include "workloads/kernels/carryless.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define WIDTH                   256
#define ISA                     "vpclmulqdq"
#define NEEDS                   (HF_FEATURE_VAES)
#define BURST                   500
#define ENTRY_NAME              hf_avx2_carryless_256
#define VECTOR                  __m256i
#define VECTOR_WORDS            4
#define V_LOAD(p)               _mm256_load_si256((const __m256i *)(const void *)(p))
#define V_STORE(p, v)           _mm256_store_si256((__m256i *)(void *)(p), (v))
#define V_XOR(a, b)             _mm256_xor_si256((a), (b))
#define V_PAIR(p)               _mm256_broadcastsi128_si256(*(const __m128i *)(const void *)(p))
#define V_MULTIPLY(a, b, which) _mm256_clmulepi64_epi128((a), (b), (which))
#define V_EXCHANGE(a)           _mm256_shuffle_epi32((a), 0x4e)
#define V_LOW_UP(a)             _mm256_bslli_epi128((a), 8)
#define V_HIGH_DOWN(a)          _mm256_bsrli_epi128((a), 8)
#define V_OPAQUE(v)             __asm__ volatile("" : "+x"(v))
#include "workloads/kernels/carryless_vector.h"
