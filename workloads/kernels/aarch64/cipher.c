/*
 * cipher at 128 bit: the crypto extension. See cipher_vector.h.
 *
 * AESE adds the round key before its round, the cipher's rounds add it after: with a key of zero the two are
 * apart, and the compiler joins the addition of one round with the AESE of the next again.
 */
#include <arm_neon.h>

#include "workloads/features.h"
#include "workloads/kernels/cipher.h"
#include "workloads/kernels/entries.h"

#define WIDTH           128
#define ISA             "aes"
#define NEEDS           (HF_FEATURE_ASIMD | HF_FEATURE_ARM_AES)
#define BURST           1000
#define ENTRY_NAME      hf_aarch64_cipher_128
#define FORM_NAME       hf_aarch64_cipher_form_128
#define VECTOR          uint8x16_t
#define VECTOR_WORDS    2
#define V_LOAD(p)       vreinterpretq_u8_u64(vld1q_u64(p))
#define V_STORE(p, v)   vst1q_u64((p), vreinterpretq_u64_u8(v))
#define V_XOR(a, b)     veorq_u8((a), (b))
#define V_KEY(p)        V_LOAD(p)
#define V_ROUND(x, key) veorq_u8(vaesmcq_u8(vaeseq_u8((x), vdupq_n_u8(0))), (key))
#define V_LAST(x, key)  veorq_u8(vaeseq_u8((x), vdupq_n_u8(0)), (key))
#define V_OPAQUE(v)     __asm__ volatile("" : "+w"(v))
#define KEY_OPAQUE(v)   __asm__ volatile("" : "+w"(v))
#include "workloads/kernels/cipher_vector.h"
