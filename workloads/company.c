/* Company: what a third of the groups runs beside a slice. Memory traffic beside a compute load costs power
 * and moves the supply as neither does alone; which groups it comes from takes turns with the slices. */
#include <assert.h>

#include "holdfast/mix.h"

void hf_slice_for_group(const struct hf_slice *slice, int group, int group_count, struct hf_slice *ret_slice)
{
    struct hf_slice own = *slice;

    assert(group >= 0 && slice->company >= 0 && slice->company <= hf_kernel_count());
    if (slice->company > 0 && group_count > 1 && (group + slice->company_turn) % HF_COMPANY_GROUPS == 0) {
        own.kernel = slice->company - 1;
        own.solo_kernel = own.stream_kernel = -1;
        own.pattern = HF_PATTERN_STEADY;
        own.sync = HF_SYNC_FREE;
        own.is_company = 1;
    }
    *ret_slice = own;
}
