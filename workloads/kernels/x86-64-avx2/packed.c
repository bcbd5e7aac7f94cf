/* packed-multiply at 256 bit: AVX2, five instructions for the products of a double round. See
 * packed_vector.h. */
#include "workloads/kernels/packed.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define WIDTH             256
#define IN_REGISTERS      0
#define ISA               "avx2"
#define NEEDS             (HF_FEATURE_AVX2_FMA)
#define BURST             270
#define LIMIT             "issue of packed multiply and add"
#define ENTRY_NAME        hf_avx2_packed_256
#define VECTOR            __m256i
#define VECTOR_WORDS      4
#define V_LOAD(p)         _mm256_load_si256((const __m256i *)(const void *)(p))
#define V_STORE(p, v)     _mm256_store_si256((__m256i *)(void *)(p), (v))
#define V_XOR(a, b)       _mm256_xor_si256((a), (b))
#define V_PAIR(p)         _mm256_broadcastsi128_si256(*(const __m128i *)(const void *)(p))
#define V_TWOS(sum, x, k) _mm256_add_epi32((sum), _mm256_madd_epi16((x), (k)))
#define V_FOURS(sum, x, k, ones)                                                                             \
    _mm256_add_epi32((sum), _mm256_madd_epi16(_mm256_maddubs_epi16((x), (k)), (ones)))
#define OPERATIONS  5
#define V_OPAQUE(v) __asm__ volatile("" : "+x"(v))
#include "workloads/kernels/packed_vector.h"
