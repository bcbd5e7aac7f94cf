/* matrix at 256 bit. See matrix_vector.h. */
#include "workloads/kernels/matrix.h"
#include "workloads/features.h"
#include "workloads/kernels/intrinsics.h"

#define WIDTH            256
#define CLASS            HF_LOAD_FMA_256
#define ISA              "avx2+fma"
#define NEEDS            HF_FEATURE_AVX2_FMA
#define BURST            15
#define SHAPE            hf_matrix_256
#define ENTRY_NAME       hf_avx2_matrix_256
#define VECTOR           __m256d
#define VECTOR_LANES     4
#define VECTORS          3
#define ROWS             4
#define V_SET(d)         _mm256_set1_pd(d)
#define V_OF_WHOLE(p)    _mm256_cvtepi32_pd(_mm_load_si128((const void *)(p)))
#define V_TO_WHOLE(p, v) _mm_store_si128((void *)(p), _mm256_cvtpd_epi32(v))
#define V_STORE(p, v)    _mm256_store_pd((p), (v))
#define V_SUBTRACT(a, b) _mm256_sub_pd((a), (b))
#define V_FMA(a, b, c)   _mm256_fmadd_pd((a), (b), (c))
#define V_FNMA(a, b, c)  _mm256_fnmadd_pd((a), (b), (c))
#define V_MAX(a, b)      _mm256_max_pd((a), (b))
#define V_MIN(a, b)      _mm256_min_pd((a), (b))
#define V_OPAQUE(v)      __asm__ volatile("" : "+x"(v))
#define LIMIT_VECTORS    12
#include "workloads/kernels/matrix_vector.h"
