/* fma-single at 512 bit: AVX-512F, 32 vector registers. See fma_residue_vector.h. */

#include "workloads/kernels/fma_single.h"
#include "workloads/features.h"
#include "workloads/kernels/intrinsics.h"

#define SINGLE
#define WIDTH            512
#define CLASS            HF_LOAD_FMA_512
#define ISA              "avx512"
#define NEEDS            HF_FEATURE_AVX512
#define BURST            2300
#define ENTRY_NAME       hf_avx512_fma_single_512
#define VECTOR           __m512
#define VECTOR_LANES     16
#define VECTORS          16
#define V_SET(d)         _mm512_set1_ps(d)
#define V_LOAD(p)        _mm512_load_ps(p)
#define V_STORE(p, v)    _mm512_store_ps((p), (v))
#define V_MULTIPLY(a, b) _mm512_mul_ps((a), (b))
#define V_ADD(a, b)      _mm512_add_ps((a), (b))
#define V_SUBTRACT(a, b) _mm512_sub_ps((a), (b))
#define V_FMA(a, b, c)   _mm512_fmadd_ps((a), (b), (c))
#define V_FMS(a, b, c)   _mm512_fmsub_ps((a), (b), (c))
#define V_FNMA(a, b, c)  _mm512_fnmadd_ps((a), (b), (c))
#define V_OPAQUE(v)      __asm__ volatile("" : "+v"(v))
#define LIMIT_VECTORS    20
#include "workloads/kernels/fma_residue_vector.h"
