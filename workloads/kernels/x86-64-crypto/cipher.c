/* cipher at 128 bit: AES-NI, two-operand instructions, 16 registers. See cipher_vector.h. */
#include "workloads/kernels/cipher.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define WIDTH           128
#define ISA             "aes"
#define NEEDS           (HF_FEATURE_AES)
#define BURST           1000
#define ENTRY_NAME      hf_crypto_cipher_128
#define FORM_NAME       hf_crypto_cipher_form_128
#define VECTOR          __m128i
#define VECTOR_WORDS    2
#define V_LOAD(p)       _mm_load_si128((const __m128i *)(const void *)(p))
#define V_STORE(p, v)   _mm_store_si128((__m128i *)(void *)(p), (v))
#define V_XOR(a, b)     _mm_xor_si128((a), (b))
#define V_KEY(p)        _mm_load_si128((const __m128i *)(const void *)(p))
#define V_ROUND(x, key) _mm_aesenc_si128((x), (key))
#define V_LAST(x, key)  _mm_aesenclast_si128((x), (key))
#define V_OPAQUE(v)     __asm__ volatile("" : "+x"(v))
#define KEY_OPAQUE(v)   __asm__ volatile("" : "+m"(v))
#include "workloads/kernels/cipher_vector.h"
