/*
 * packed-multiply at 512 bit: AVX-512, five instructions for the products of a double round. See
 * packed_vector.h.
 */
#include "workloads/kernels/packed.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define WIDTH             512
#define IN_REGISTERS      1
#define ISA               "avx512"
#define NEEDS             (HF_FEATURE_AVX512)
#define BURST             270
#define LIMIT             "issue of packed multiply and add"
#define ENTRY_NAME        hf_avx512_packed_512
#define VECTOR            __m512i
#define VECTOR_WORDS      8
#define V_LOAD(p)         _mm512_load_si512((const __m512i *)(const void *)(p))
#define V_STORE(p, v)     _mm512_store_si512((__m512i *)(void *)(p), (v))
#define V_XOR(a, b)       _mm512_xor_si512((a), (b))
#define V_PAIR(p)         _mm512_broadcast_i32x4(_mm_load_si128((const __m128i *)(const void *)(p)))
#define V_TWOS(sum, x, k) _mm512_add_epi32((sum), _mm512_madd_epi16((x), (k)))
#define V_FOURS(sum, x, k, ones)                                                                             \
    _mm512_add_epi32((sum), _mm512_madd_epi16(_mm512_maddubs_epi16((x), (k)), (ones)))
#define OPERATIONS  5
#define V_OPAQUE(v) __asm__ volatile("" : "+v"(v))
#include "workloads/kernels/packed_vector.h"
