/*
 * packed-multiply with VNNI, whose instructions multiply and add to the sum in one, at 256 and 512 bit. See
 * packed_vector.h.
 */
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"
#include "workloads/kernels/packed.h"

#define WIDTH                    256
#define IN_REGISTERS             1
#define ISA                      "avx512vnni"
#define NEEDS                    (HF_FEATURE_VNNI)
#define BURST                    800
#define LIMIT                    "issue of packed multiply-add"
#define ENTRY_NAME               hf_avx512_packed_256
#define VECTOR                   __m256i
#define VECTOR_WORDS             4
#define V_LOAD(p)                _mm256_load_si256((const __m256i *)(const void *)(p))
#define V_STORE(p, v)            _mm256_store_si256((__m256i *)(void *)(p), (v))
#define V_XOR(a, b)              _mm256_xor_si256((a), (b))
#define V_PAIR(p)                _mm256_broadcastsi128_si256(*(const __m128i *)(const void *)(p))
#define V_TWOS(sum, x, k)        _mm256_dpwssd_epi32((sum), (x), (k))
#define V_FOURS(sum, x, k, ones) _mm256_dpbusd_epi32((sum), (x), (k))
#define OPERATIONS               2
#define V_OPAQUE(v)              __asm__ volatile("" : "+v"(v))
#include "workloads/kernels/packed_vector.h"

#define WIDTH                    512
#define IN_REGISTERS             1
#define ISA                      "avx512vnni"
#define NEEDS                    (HF_FEATURE_VNNI)
#define BURST                    800
#define LIMIT                    "issue of packed multiply-add"
#define ENTRY_NAME               hf_avx512_packed_vnni_512
#define VECTOR                   __m512i
#define VECTOR_WORDS             8
#define V_LOAD(p)                _mm512_load_si512((const __m512i *)(const void *)(p))
#define V_STORE(p, v)            _mm512_store_si512((__m512i *)(void *)(p), (v))
#define V_XOR(a, b)              _mm512_xor_si512((a), (b))
#define V_PAIR(p)                _mm512_broadcast_i32x4(_mm_load_si128((const __m128i *)(const void *)(p)))
#define V_TWOS(sum, x, k)        _mm512_dpwssd_epi32((sum), (x), (k))
#define V_FOURS(sum, x, k, ones) _mm512_dpbusd_epi32((sum), (x), (k))
#define OPERATIONS               2
#define V_OPAQUE(v)              __asm__ volatile("" : "+v"(v))
#include "workloads/kernels/packed_vector.h"
