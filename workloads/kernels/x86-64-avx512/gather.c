/* gather at 512 bit: gathers and scatters of eight words. See gather_vector.h. */
#include "workloads/kernels/gather.h"
#include "workloads/features.h"
#include "workloads/kernels/intrinsics.h"

#define ISA                       "avx512"
#define NEEDS                     HF_FEATURE_AVX512
#define BURST_L1                  500
#define BURST_L2                  400
#define BURST_L3                  200
#define BURST_MEMORY              40
#define WIDTH                     512
#define ENTRY_OF(label)           hf_avx512_gather_512_##label
#define VECTOR                    __m512i
#define VECTOR_LANES              8
#define V_SET(word)               _mm512_set1_epi64((long long)(word))
#define V_LOAD(p)                 _mm512_loadu_si512(p)
#define V_STORE(p, v)             _mm512_storeu_si512((p), (v))
#define V_ADD(a, b)               _mm512_add_epi64((a), (b))
#define V_AND(a, b)               _mm512_and_si512((a), (b))
#define V_OR(a, b)                _mm512_or_si512((a), (b))
#define V_XOR(a, b)               _mm512_xor_si512((a), (b))
#define V_MULTIPLY_LOW(a, b)      _mm512_mul_epu32((a), (b))
#define V_GATHER(base, index)     _mm512_i64gather_epi64((index), (base), 8)
#define V_SCATTER(base, index, v) _mm512_i64scatter_epi64((base), (index), (v), 8)
#define V_OPAQUE(v)               __asm__ volatile("" : "+v"(v))
#include "workloads/kernels/gather_vector.h"
