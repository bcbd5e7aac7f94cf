/* hash at 64 bit with BMI2: rotations that leave their operand as it is, so nothing has to be copied first.
 */
#include "workloads/kernels/hash.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/hash_scalar.h"

HF_KERNEL_CODE static void advance(void *state, uint64_t steps)
{
    hf_hash_scalar_advance(state, steps);
}

static uint64_t limit_loop(uint64_t rounds)
{
    return hf_hash_limit_body(rounds);
}

const struct hf_kernel hf_avx2_hash_64 = {
    HF_HASH_SCALAR_FIELDS,        .width_bits = 64,         .isa = "bmi2",
    .needs = HF_FEATURE_AVX2_FMA, .limit_loop = limit_loop, .advance = advance,
};
