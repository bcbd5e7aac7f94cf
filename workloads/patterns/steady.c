/* steady: always on. */
#include "workloads/patterns/schedule.h"

struct hf_phase hf_steady_at(const struct hf_timeline *timeline, uint64_t t)
{
    (void)timeline;
    (void)t;
    return (struct hf_phase){.work = HF_WORK_MAIN, .begin = 0, .end = HF_PHASE_END_NEVER, .edges = 1};
}
