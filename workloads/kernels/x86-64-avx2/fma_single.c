/* fma-single at 128 and 256 bit: AVX2 and FMA, 16 vector registers. See fma_residue_vector.h. */

#include "workloads/kernels/fma_single.h"
#include "workloads/features.h"
#include "workloads/kernels/intrinsics.h"

#define SINGLE
#define WIDTH            128
#define CLASS            HF_LOAD_FMA_128
#define ISA              "avx2+fma"
#define NEEDS            HF_FEATURE_AVX2_FMA
#define BURST            3800
#define ENTRY_NAME       hf_avx2_fma_single_128
#define VECTOR           __m128
#define VECTOR_LANES     4
#define VECTORS          10
#define V_SET(d)         _mm_set1_ps(d)
#define V_LOAD(p)        _mm_load_ps(p)
#define V_STORE(p, v)    _mm_store_ps((p), (v))
#define V_MULTIPLY(a, b) _mm_mul_ps((a), (b))
#define V_ADD(a, b)      _mm_add_ps((a), (b))
#define V_SUBTRACT(a, b) _mm_sub_ps((a), (b))
#define V_FMA(a, b, c)   _mm_fmadd_ps((a), (b), (c))
#define V_FMS(a, b, c)   _mm_fmsub_ps((a), (b), (c))
#define V_FNMA(a, b, c)  _mm_fnmadd_ps((a), (b), (c))
#define V_OPAQUE(v)      __asm__ volatile("" : "+x"(v))
#define LIMIT_VECTORS    12
#include "workloads/kernels/fma_residue_vector.h"

#define WIDTH            256
#define CLASS            HF_LOAD_FMA_256
#define ISA              "avx2+fma"
#define NEEDS            HF_FEATURE_AVX2_FMA
#define BURST            3800
#define ENTRY_NAME       hf_avx2_fma_single_256
#define VECTOR           __m256
#define VECTOR_LANES     8
#define VECTORS          10
#define V_SET(d)         _mm256_set1_ps(d)
#define V_LOAD(p)        _mm256_load_ps(p)
#define V_STORE(p, v)    _mm256_store_ps((p), (v))
#define V_MULTIPLY(a, b) _mm256_mul_ps((a), (b))
#define V_ADD(a, b)      _mm256_add_ps((a), (b))
#define V_SUBTRACT(a, b) _mm256_sub_ps((a), (b))
#define V_FMA(a, b, c)   _mm256_fmadd_ps((a), (b), (c))
#define V_FMS(a, b, c)   _mm256_fmsub_ps((a), (b), (c))
#define V_FNMA(a, b, c)  _mm256_fnmadd_ps((a), (b), (c))
#define V_OPAQUE(v)      __asm__ volatile("" : "+x"(v))
#define LIMIT_VECTORS    12
#include "workloads/kernels/fma_residue_vector.h"
