/* vector-integer at 128 and 256 bit: AVX2, 16 vector registers. See vector_integer_vector.h. */
#include "workloads/kernels/vector_integer.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define WIDTH                  128
#define IN_REGISTERS           0
#define LIMIT                  "issue of vector add, logic, shift, shuffle, with three rows in memory"
#define ISA                    "avx2"
#define NEEDS                  (HF_FEATURE_AVX2_FMA)
#define BURST                  40
#define ENTRY_NAME             hf_avx2_vector_integer_128
#define VECTOR                 __m128i
#define VECTOR_WORDS           2
#define V_LOAD(p)              _mm_load_si128((const __m128i *)(const void *)(p))
#define V_STORE(p, v)          _mm_store_si128((__m128i *)(void *)(p), (v))
#define V_ADD(a, b)            _mm_add_epi32((a), (b))
#define V_XOR(a, b)            _mm_xor_si128((a), (b))
#define V_SHUFFLE(a, p)        _mm_shuffle_epi32((a), (p))
#define V_OPAQUE(v)            __asm__ volatile("" : "+x"(v))
#define V_SET_BYTES(low, high) _mm_set_epi64x((long long)(high), (long long)(low))
#define V_SHUFFLE_BYTES(a, p)  _mm_shuffle_epi8((a), (p))
#define V_LEFT(a, n)           _mm_slli_epi32((a), (n))
#define V_RIGHT(a, n)          _mm_srli_epi32((a), (n))
#define V_OR(a, b)             _mm_or_si128((a), (b))
#include "workloads/kernels/vector_integer_shifts.h"

#define WIDTH           256
#define IN_REGISTERS    0
#define LIMIT           "issue of vector add, logic, shift, shuffle, with three rows in memory"
#define ISA             "avx2"
#define NEEDS           (HF_FEATURE_AVX2_FMA)
#define BURST           40
#define ENTRY_NAME      hf_avx2_vector_integer_256
#define VECTOR          __m256i
#define VECTOR_WORDS    4
#define V_LOAD(p)       _mm256_load_si256((const __m256i *)(const void *)(p))
#define V_STORE(p, v)   _mm256_store_si256((__m256i *)(void *)(p), (v))
#define V_ADD(a, b)     _mm256_add_epi32((a), (b))
#define V_XOR(a, b)     _mm256_xor_si256((a), (b))
#define V_SHUFFLE(a, p) _mm256_shuffle_epi32((a), (p))
#define V_OPAQUE(v)     __asm__ volatile("" : "+x"(v))
#define V_SET_BYTES(low, high)                                                                               \
    _mm256_set_epi64x((long long)(high), (long long)(low), (long long)(high), (long long)(low))
#define V_SHUFFLE_BYTES(a, p) _mm256_shuffle_epi8((a), (p))
#define V_LEFT(a, n)          _mm256_slli_epi32((a), (n))
#define V_RIGHT(a, n)         _mm256_srli_epi32((a), (n))
#define V_OR(a, b)            _mm256_or_si256((a), (b))
#include "workloads/kernels/vector_integer_shifts.h"
