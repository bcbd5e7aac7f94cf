/* fma-single at 128 bit: 32 vector registers of four floats. See fma_residue_vector.h. */

#include <arm_neon.h>

#include "workloads/features.h"
#include "workloads/kernels/fma_single.h"

#define SINGLE
#define WIDTH            128
#define CLASS            HF_LOAD_FMA_128
#define ISA              "asimd"
#define NEEDS            HF_FEATURE_ASIMD
#define BURST            3800
#define ENTRY_NAME       hf_aarch64_fma_single_128
#define VECTOR           float32x4_t
#define VECTOR_LANES     4
#define VECTORS          10
#define V_SET(d)         vdupq_n_f32(d)
#define V_LOAD(p)        vld1q_f32(p)
#define V_STORE(p, v)    vst1q_f32((p), (v))
#define V_MULTIPLY(a, b) vmulq_f32((a), (b))
#define V_ADD(a, b)      vaddq_f32((a), (b))
#define V_SUBTRACT(a, b) vsubq_f32((a), (b))
#define V_FMA(a, b, c)   vfmaq_f32((c), (a), (b))
#define V_FMS(a, b, c)   vnegq_f32(vfmsq_f32((c), (a), (b))) /* the sign goes into the next addition */
#define V_FNMA(a, b, c)  vfmsq_f32((c), (a), (b))
#define V_OPAQUE(v)      __asm__ volatile("" : "+w"(v))
#define LIMIT_VECTORS    12
#include "workloads/kernels/fma_residue_vector.h"
