/* fma-residue at 128 bit: 32 vector registers of two doubles. See fma_residue_vector.h. */

#include <arm_neon.h>

#include "workloads/features.h"
#include "workloads/kernels/fma_residue.h"

#define WIDTH            128
#define CLASS            HF_LOAD_FMA_128
#define ISA              "asimd"
#define NEEDS            HF_FEATURE_ASIMD
#define BURST            3800
#define ENTRY_NAME       hf_aarch64_fma_residue_128
#define VECTOR           float64x2_t
#define VECTOR_LANES     2
#define VECTORS          10
#define V_SET(d)         vdupq_n_f64(d)
#define V_LOAD(p)        vld1q_f64(p)
#define V_STORE(p, v)    vst1q_f64((p), (v))
#define V_MULTIPLY(a, b) vmulq_f64((a), (b))
#define V_ADD(a, b)      vaddq_f64((a), (b))
#define V_SUBTRACT(a, b) vsubq_f64((a), (b))
#define V_FMA(a, b, c)   vfmaq_f64((c), (a), (b))
#define V_FMS(a, b, c)   vnegq_f64(vfmsq_f64((c), (a), (b))) /* the sign goes into the next addition */
#define V_FNMA(a, b, c)  vfmsq_f64((c), (a), (b))
#define V_OPAQUE(v)      __asm__ volatile("" : "+w"(v))
#define LIMIT_VECTORS    12
#include "workloads/kernels/fma_residue_vector.h"
