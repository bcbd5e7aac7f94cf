/*
 * vector-integer at 128 bit: SSSE3, two-operand instructions, on CPUs without AVX2. What stands for SSSE3 is
 * the feature bits that imply it (this folder is built with up to SSE4.2). See vector_integer_vector.h.
 */
#include "workloads/kernels/vector_integer.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define WIDTH                  128
#define IN_REGISTERS           0
#define LIMIT                  "issue of vector add, logic, shift, shuffle, with three rows in memory"
#define ISA                    "ssse3"
#define NEEDS                  (HF_FEATURE_AES | HF_FEATURE_CRC32)
#define BURST                  40
#define ENTRY_NAME             hf_crypto_vector_integer_128
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
