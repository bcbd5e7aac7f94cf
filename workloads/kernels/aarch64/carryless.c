/*
 * carry-less at 128 bit: the crypto extension, which multiplies two lower or two upper halves. See
 * carryless_vector.h.
 */
#include <arm_neon.h>

#include "workloads/features.h"
#include "workloads/kernels/carryless.h"
#include "workloads/kernels/entries.h"

HF_INLINE uint64x2_t product(uint64x2_t a, uint64x2_t b, int half_of_a, int half_of_b)
{
    poly64_t left = (poly64_t)(half_of_a ? vgetq_lane_u64(a, 1) : vgetq_lane_u64(a, 0));
    poly64_t right = (poly64_t)(half_of_b ? vgetq_lane_u64(b, 1) : vgetq_lane_u64(b, 0));

    return vreinterpretq_u64_p128(vmull_p64(left, right));
}

#define WIDTH                   128
#define ISA                     "pmull"
#define NEEDS                   (HF_FEATURE_ASIMD | HF_FEATURE_ARM_AES)
#define BURST                   500
#define ENTRY_NAME              hf_aarch64_carryless_128
#define VECTOR                  uint64x2_t
#define VECTOR_WORDS            2
#define V_LOAD(p)               vld1q_u64(p)
#define V_STORE(p, v)           vst1q_u64((p), (v))
#define V_XOR(a, b)             veorq_u64((a), (b))
#define V_PAIR(p)               vld1q_u64(p)
#define V_MULTIPLY(a, b, which) product((a), (b), (which)&1, (which) >> 4)
#define V_EXCHANGE(a)           vextq_u64((a), (a), 1)
#define V_LOW_UP(a)             vextq_u64(vdupq_n_u64(0), (a), 1)
#define V_HIGH_DOWN(a)          vextq_u64((a), vdupq_n_u64(0), 1)
#define V_OPAQUE(v)             __asm__ volatile("" : "+w"(v))
#include "workloads/kernels/carryless_vector.h"
