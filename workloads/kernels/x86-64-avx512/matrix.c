/* matrix at 512 bit. See matrix_vector.h. */
#include "workloads/kernels/matrix.h"
#include "workloads/features.h"
#include "workloads/kernels/intrinsics.h"

#define WIDTH            512
#define CLASS            HF_LOAD_FMA_512
#define ISA              "avx512"
#define NEEDS            HF_FEATURE_AVX512
#define BURST            10
#define SHAPE            hf_matrix_512
#define ENTRY_NAME       hf_avx512_matrix_512
#define VECTOR           __m512d
#define VECTOR_LANES     8
#define VECTORS          2
#define ROWS             8
#define V_SET(d)         _mm512_set1_pd(d)
#define V_OF_WHOLE(p)    _mm512_cvtepi32_pd(_mm256_load_si256((const void *)(p)))
#define V_TO_WHOLE(p, v) _mm256_store_si256((void *)(p), _mm512_cvtpd_epi32(v))
#define V_STORE(p, v)    _mm512_store_pd((p), (v))
#define V_SUBTRACT(a, b) _mm512_sub_pd((a), (b))
#define V_FMA(a, b, c)   _mm512_fmadd_pd((a), (b), (c))
#define V_FNMA(a, b, c)  _mm512_fnmadd_pd((a), (b), (c))
#define V_MAX(a, b)      _mm512_max_pd((a), (b))
#define V_MIN(a, b)      _mm512_min_pd((a), (b))
#define V_OPAQUE(v)      __asm__ volatile("" : "+v"(v))
#define LIMIT_VECTORS    20
#include "workloads/kernels/matrix_vector.h"
