/* pulse at 256 bit: AVX2 and FMA, 16 vector registers: within a stage some of the eight vectors wait in the
 * cache. See pulse.h and pulse_vector.h. */
#include "workloads/kernels/pulse.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define WIDTH            256
#define CLASS            HF_LOAD_FMA_256
#define ISA              "avx2+fma"
#define NEEDS            HF_FEATURE_AVX2_FMA
#define BURST            4600
#define LIMIT            "multiply-add issue"
#define ENTRY_NAME       hf_avx2_pulse_256
#define VECTOR           __m256d
#define VECTOR_LANES     4
#define VECTORS          8
#define V_SET(d)         _mm256_set1_pd(d)
#define V_LOAD(p)        _mm256_load_pd(p)
#define V_STORE(p, v)    _mm256_store_pd((p), (v))
#define V_MULTIPLY(a, b) _mm256_mul_pd((a), (b))
#define V_ADD(a, b)      _mm256_add_pd((a), (b))
#define V_SUBTRACT(a, b) _mm256_sub_pd((a), (b))
#define V_FMA(a, b, c)   _mm256_fmadd_pd((a), (b), (c))
#define V_FMS(a, b, c)   _mm256_fmsub_pd((a), (b), (c))
#define V_FNMA(a, b, c)  _mm256_fnmadd_pd((a), (b), (c))
#define V_GATE(v, word)  _mm256_xor_pd((v), _mm256_castsi256_pd(_mm256_set1_epi64x((long long)(word))))
#define V_OPAQUE(v)      __asm__ volatile("" : "+x"(v))
#define LIMIT_VECTORS    12
#include "workloads/kernels/pulse_vector.h"
