/* vector-integer at 128 bit: bytes by table look-up, words by extraction. See vector_integer_vector.h. */

#include <arm_neon.h>

#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/vector_integer.h"

/* The three turns of a row, named as vector_integer_vector.h does: by one, two and three words. */
#define TURN_OF(pattern) ((pattern) == 0x39 ? 1 : (pattern) == 0x4e ? 2 : 3)

#define WIDTH                  128
#define IN_REGISTERS           1
#define LIMIT                  "issue of vector add, exclusive or, shift, or, shuffle"
#define ISA                    "asimd"
#define NEEDS                  HF_FEATURE_ASIMD
#define BURST                  250
#define ENTRY_NAME             hf_aarch64_vector_integer_128
#define VECTOR                 uint32x4_t
#define VECTOR_WORDS           2
#define V_LOAD(p)              vreinterpretq_u32_u64(vld1q_u64(p))
#define V_STORE(p, v)          vst1q_u64((p), vreinterpretq_u64_u32(v))
#define V_ADD(a, b)            vaddq_u32((a), (b))
#define V_XOR(a, b)            veorq_u32((a), (b))
#define V_SHUFFLE(a, p)        vextq_u32((a), (a), TURN_OF(p))
#define V_OPAQUE(v)            __asm__ volatile("" : "+w"(v))
#define V_SET_BYTES(low, high) vreinterpretq_u32_u64(vcombine_u64(vcreate_u64(low), vcreate_u64(high)))
#define V_SHUFFLE_BYTES(a, p)                                                                                \
    vreinterpretq_u32_u8(vqtbl1q_u8(vreinterpretq_u8_u32(a), vreinterpretq_u8_u32(p)))
#define V_LEFT(a, n)  vshlq_n_u32((a), (n))
#define V_RIGHT(a, n) vshrq_n_u32((a), (n))
#define V_OR(a, b)    vorrq_u32((a), (b))
#include "workloads/kernels/vector_integer_shifts.h"
