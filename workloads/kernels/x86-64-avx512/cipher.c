/* cipher at 512 bit: VAES beside AVX-512, 32 registers. See cipher_vector.h. */
#include "workloads/kernels/cipher.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define WIDTH           512
#define ISA             "vaes+avx512"
#define NEEDS           (HF_FEATURE_VAES | HF_FEATURE_AVX512)
#define BURST           1000
#define ENTRY_NAME      hf_avx512_cipher_512
#define FORM_NAME       hf_avx512_cipher_form_512
#define VECTOR          __m512i
#define VECTOR_WORDS    8
#define V_LOAD(p)       _mm512_load_si512((const __m512i *)(const void *)(p))
#define V_STORE(p, v)   _mm512_store_si512((__m512i *)(void *)(p), (v))
#define V_XOR(a, b)     _mm512_xor_si512((a), (b))
#define V_KEY(p)        _mm512_broadcast_i32x4(_mm_load_si128((const __m128i *)(const void *)(p)))
#define V_ROUND(x, key) _mm512_aesenc_epi128((x), (key))
#define V_LAST(x, key)  _mm512_aesenclast_epi128((x), (key))
#define V_OPAQUE(v)     __asm__ volatile("" : "+v"(v))
#define KEY_OPAQUE(v)   __asm__ volatile("" : "+v"(v))
#include "workloads/kernels/cipher_vector.h"
