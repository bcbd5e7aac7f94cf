/* carry-less at 128 bit: PCLMULQDQ. See carryless_vector.h. */
#include "workloads/kernels/carryless.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define WIDTH                   128
#define ISA                     "pclmulqdq"
#define NEEDS                   (HF_FEATURE_AES)
#define BURST                   500
#define ENTRY_NAME              hf_crypto_carryless_128
#define VECTOR                  __m128i
#define VECTOR_WORDS            2
#define V_LOAD(p)               _mm_load_si128((const __m128i *)(const void *)(p))
#define V_STORE(p, v)           _mm_store_si128((__m128i *)(void *)(p), (v))
#define V_XOR(a, b)             _mm_xor_si128((a), (b))
#define V_PAIR(p)               _mm_load_si128((const __m128i *)(const void *)(p))
#define V_MULTIPLY(a, b, which) _mm_clmulepi64_si128((a), (b), (which))
#define V_EXCHANGE(a)           _mm_shuffle_epi32((a), 0x4e)
#define V_LOW_UP(a)             _mm_slli_si128((a), 8)
#define V_HIGH_DOWN(a)          _mm_srli_si128((a), 8)
#define V_OPAQUE(v)             __asm__ volatile("" : "+x"(v))
#include "workloads/kernels/carryless_vector.h"
