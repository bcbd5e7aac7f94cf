/* copy at 512 bit. See copy_vector.h. */
#include "workloads/kernels/copy.h"
#include "workloads/features.h"
#include "workloads/kernels/intrinsics.h"

#define ISA             "avx512"
#define NEEDS           HF_FEATURE_AVX512
#define BURST_L1        25
#define BURST_L2        25
#define BURST_L3        12
#define BURST_MEMORY    4
#define WIDTH           512
#define ENTRY_OF(label) hf_avx512_copy_512_##label
#define VECTOR          __m512i
#define VECTOR_LANES    8
#define V_LOAD(p)       _mm512_load_si512(p)
#define V_LOADU(p)      _mm512_loadu_si512(p)
#define V_STORE(p, v)   _mm512_store_si512((p), (v))
#define V_STOREU(p, v)  _mm512_storeu_si512((p), (v))
#define V_STREAM(p, v)  _mm512_stream_si512((void *)(p), (v))
#define V_ADD(a, b)     _mm512_add_epi64((a), (b))
#define V_OR(a, b)      _mm512_or_si512((a), (b))
#define V_XOR(a, b)     _mm512_xor_si512((a), (b))
#define V_SET(word)     _mm512_set1_epi64((long long)(word))
#define V_FENCE()       _mm_sfence()
#include "workloads/kernels/copy_vector.h"
