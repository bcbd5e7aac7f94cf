/* crc by the instruction of SSE4.2. See crc_chains.h. */
#include "workloads/kernels/crc.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define CRC_OF(crc, word) _mm_crc32_u64((crc), (word))
#include "workloads/kernels/crc_chains.h"

const struct hf_kernel hf_crypto_crc = {
    .name = "crc",
    .isa = "sse4.2",
    .needs = HF_FEATURE_CRC32,
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
