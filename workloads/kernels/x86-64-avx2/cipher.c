/* cipher at 256 bit: VAES beside AVX2, 16 registers (this file is built with VAES too). See cipher_vector.h.
 */
#include "workloads/kernels/cipher.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define WIDTH           256
#define ISA             "vaes"
#define NEEDS           (HF_FEATURE_VAES)
#define BURST           1000
#define ENTRY_NAME      hf_avx2_cipher_256
#define FORM_NAME       hf_avx2_cipher_form_256
#define VECTOR          __m256i
#define VECTOR_WORDS    4
#define V_LOAD(p)       _mm256_load_si256((const __m256i *)(const void *)(p))
#define V_STORE(p, v)   _mm256_store_si256((__m256i *)(void *)(p), (v))
#define V_XOR(a, b)     _mm256_xor_si256((a), (b))
#define V_KEY(p)        _mm256_broadcastsi128_si256(_mm_load_si128((const __m128i *)(const void *)(p)))
#define V_ROUND(x, key) _mm256_aesenc_epi128((x), (key))
#define V_LAST(x, key)  _mm256_aesenclast_epi128((x), (key))
#define V_OPAQUE(v)     __asm__ volatile("" : "+x"(v))
#define KEY_OPAQUE(v)   __asm__ volatile("" : "+m"(v))
#include "workloads/kernels/cipher_vector.h"
