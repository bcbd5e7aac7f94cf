/* crc by the instruction of the CRC extension. See crc_chains.h. */
#include <arm_acle.h>

#include "workloads/features.h"
#include "workloads/kernels/crc.h"
#include "workloads/kernels/entries.h"

#define CRC_OF(crc, word) __crc32cd((uint32_t)(crc), (word))
#include "workloads/kernels/crc_chains.h"

const struct hf_kernel hf_aarch64_crc = {
    .name = "crc",
    .isa = "crc",
    .needs = HF_FEATURE_ARM_CRC32,
    .width_bits = 64,
    .load_class = HF_LOAD_MULTIPLY,
    HF_STEERED_FIELDS(crc, HF_CRC_MOVING, HF_CRC_CONSTANTS),
    .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,
    .burst_steps = 500,
    .operations_per_step = HF_CRC_BLOCK,
    .limit = "issue of CRC-32C",
    .limit_loop = limit_loop,
    .advance = advance,
};
