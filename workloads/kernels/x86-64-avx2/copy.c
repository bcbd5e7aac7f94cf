/* copy at 256 bit. See copy_vector.h. */
#include "workloads/kernels/copy.h"
#include "workloads/features.h"
#include "workloads/kernels/intrinsics.h"

#define ISA             "avx2"
#define NEEDS           HF_FEATURE_AVX2_FMA
#define BURST_L1        25
#define BURST_L2        25
#define BURST_L3        12
#define BURST_MEMORY    4
#define WIDTH           256
#define ENTRY_OF(label) hf_avx2_copy_256_##label
#define VECTOR          __m256i
#define VECTOR_LANES    4
#define V_LOAD(p)       _mm256_load_si256((const __m256i *)(const void *)(p))
#define V_LOADU(p)      _mm256_loadu_si256((const __m256i *)(const void *)(p))
#define V_STORE(p, v)   _mm256_store_si256((__m256i *)(void *)(p), (v))
#define V_STOREU(p, v)  _mm256_storeu_si256((__m256i *)(void *)(p), (v))
#define V_STREAM(p, v)  _mm256_stream_si256((__m256i *)(void *)(p), (v))
#define V_ADD(a, b)     _mm256_add_epi64((a), (b))
#define V_OR(a, b)      _mm256_or_si256((a), (b))
#define V_XOR(a, b)     _mm256_xor_si256((a), (b))
#define V_SET(word)     _mm256_set1_epi64x((long long)(word))
#define V_FENCE()       _mm_sfence()
#include "workloads/kernels/copy_vector.h"
