/* matrix-single at 512 bit. See matrix_vector.h. */
#include "workloads/features.h"
#include "workloads/kernels/intrinsics.h"
#include "workloads/kernels/matrix.h"

#define SINGLE
#define WIDTH            512
#define CLASS            HF_LOAD_FMA_512
#define ISA              "avx512"
#define NEEDS            HF_FEATURE_AVX512
#define BURST            10
#define SHAPE            hf_matrix_single_512
#define ENTRY_NAME       hf_avx512_matrix_single_512
#define VECTOR           __m512
#define VECTOR_LANES     16
#define VECTORS          2
#define ROWS             8
#define V_SET(d)         _mm512_set1_ps(d)
#define V_OF_WHOLE(p)    _mm512_cvtepi32_ps(_mm512_load_si512(p))
#define V_TO_WHOLE(p, v) _mm512_store_si512((p), _mm512_cvtps_epi32(v))
#define V_STORE(p, v)    _mm512_store_ps((p), (v))
#define V_SUBTRACT(a, b) _mm512_sub_ps((a), (b))
#define V_FMA(a, b, c)   _mm512_fmadd_ps((a), (b), (c))
#define V_FNMA(a, b, c)  _mm512_fnmadd_ps((a), (b), (c))
#define V_MAX(a, b)      _mm512_max_ps((a), (b))
#define V_MIN(a, b)      _mm512_min_ps((a), (b))
#define V_OPAQUE(v)      __asm__ volatile("" : "+v"(v))
#define LIMIT_VECTORS    20
#include "workloads/kernels/matrix_vector.h"
