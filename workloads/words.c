/* Words of a state: see kernel_code.h. */
#include "holdfast/random.h"
#include "workloads/kernels/kernel_code.h"

uint64_t hf_words_fold(const uint64_t *words, int count)
{
    uint64_t fold = (uint64_t)count;

    for (int i = 0; i < count; i++)
        fold = hf_mix64(fold ^ words[i]) + UINT64_C(0x9e3779b97f4a7c15);
    return fold;
}

void hf_words_compare(const uint64_t *expected, const uint64_t *got, int count,
                      struct hf_lane_report *ret_report)
{
    *ret_report = (struct hf_lane_report){.lane = -1};
    for (int i = 0; i < count; i++) {
        if (expected[i] != got[i]) {
            *ret_report = (struct hf_lane_report){.lane = i, .expected = expected[i], .got = got[i]};
            return;
        }
    }
}

uint64_t hf_seed_word(uint64_t seed, uint64_t index)
{
    return hf_mix64(seed + (index + 1) * UINT64_C(0x9e3779b97f4a7c15));
}
