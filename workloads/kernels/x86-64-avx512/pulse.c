/* pulse at 512 bit: AVX-512F and DQ, 32 vector registers. See pulse.h and pulse_vector.h. */
#include "workloads/kernels/pulse.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define WIDTH            512
#define CLASS            HF_LOAD_FMA_512
#define ISA              "avx512"
#define NEEDS            HF_FEATURE_AVX512
#define BURST            4600
#define LIMIT            "multiply-add issue"
#define ENTRY_NAME       hf_avx512_pulse_512
#define VECTOR           __m512d
#define VECTOR_LANES     8
#define VECTORS          8
#define V_SET(d)         _mm512_set1_pd(d)
#define V_LOAD(p)        _mm512_load_pd(p)
#define V_STORE(p, v)    _mm512_store_pd((p), (v))
#define V_MULTIPLY(a, b) _mm512_mul_pd((a), (b))
#define V_ADD(a, b)      _mm512_add_pd((a), (b))
#define V_SUBTRACT(a, b) _mm512_sub_pd((a), (b))
#define V_FMA(a, b, c)   _mm512_fmadd_pd((a), (b), (c))
#define V_FMS(a, b, c)   _mm512_fmsub_pd((a), (b), (c))
#define V_FNMA(a, b, c)  _mm512_fnmadd_pd((a), (b), (c))
#define V_GATE(v, word)  _mm512_xor_pd((v), _mm512_castsi512_pd(_mm512_set1_epi64((long long)(word))))
#define V_OPAQUE(v)      __asm__ volatile("" : "+v"(v))
#define LIMIT_VECTORS    20
#include "workloads/kernels/pulse_vector.h"
