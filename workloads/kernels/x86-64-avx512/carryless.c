/* carry-less at 512 bit: VPCLMULQDQ beside AVX-512. See carryless_vector.h. */
#include "workloads/kernels/carryless.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define WIDTH                   512
#define ISA                     "vpclmulqdq+avx512"
#define NEEDS                   (HF_FEATURE_VAES | HF_FEATURE_AVX512)
#define BURST                   500
#define ENTRY_NAME              hf_avx512_carryless_512
#define VECTOR                  __m512i
#define VECTOR_WORDS            8
#define V_LOAD(p)               _mm512_load_si512((const __m512i *)(const void *)(p))
#define V_STORE(p, v)           _mm512_store_si512((__m512i *)(void *)(p), (v))
#define V_XOR(a, b)             _mm512_xor_si512((a), (b))
#define V_PAIR(p)               _mm512_broadcast_i32x4(_mm_load_si128((const __m128i *)(const void *)(p)))
#define V_MULTIPLY(a, b, which) _mm512_clmulepi64_epi128((a), (b), (which))
#define V_EXCHANGE(a)           _mm512_shuffle_epi32((a), (_MM_PERM_ENUM)0x4e)
#define V_LOW_UP(a)             _mm512_bslli_epi128((a), 8)
#define V_HIGH_DOWN(a)          _mm512_bsrli_epi128((a), 8)
#define V_OPAQUE(v)             __asm__ volatile("" : "+v"(v))
#include "workloads/kernels/carryless_vector.h"
