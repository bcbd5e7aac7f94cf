/*
 * Pinning with read-back. hwloc's own binding call answers "done" on a replayed topology while doing nothing,
 * and the kernel silently narrows a mask to the cpuset; so the system calls are used directly, and believed
 * only after reading back.
 */
#include <errno.h>
#include <sched.h>

#include "holdfast/topology.h"

union mask {
    cpu_set_t set;
    unsigned char bytes[HF_CPUS_MAX / 8];
};

static int read_mask(union mask *ret_mask, struct hf_error *error)
{
    CPU_ZERO_S(sizeof *ret_mask, &ret_mask->set);
    if (sched_getaffinity(0, sizeof *ret_mask, &ret_mask->set) != 0)
        return hf_fail_errno(error, errno, "cannot read the CPU affinity of this process");
    return HF_OK;
}

static int check_pinned(int cpu, struct hf_error *error)
{
    union mask mask;
    unsigned now = 0;

    if (read_mask(&mask, error) != HF_OK)
        return error->code;
    if (CPU_COUNT_S(sizeof mask, &mask.set) != 1 || !CPU_ISSET_S((size_t)cpu, sizeof mask, &mask.set))
        return hf_fail(error, HF_E_MISSING,
                       "pinning to CPU %d was accepted but reads back as another set of CPUs", cpu);
    if (getcpu(&now, NULL) != 0)
        return hf_fail_errno(error, errno, "cannot read the present CPU");
    if (now != (unsigned)cpu)
        return hf_fail(error, HF_E_MISSING, "pinned to CPU %d but still running on CPU %u", cpu, now);
    return HF_OK;
}

int hf_pin_to_cpu(int cpu, struct hf_error *error)
{
    union mask mask;

    if (cpu < 0 || cpu >= HF_CPUS_MAX)
        return hf_fail(error, HF_E_MISSING, "there is no CPU %d (0 to %d are possible)", cpu,
                       HF_CPUS_MAX - 1);
    CPU_ZERO_S(sizeof mask, &mask.set);
    CPU_SET_S((size_t)cpu, sizeof mask, &mask.set);
    if (sched_setaffinity(0, sizeof mask, &mask.set) != 0) {
        if (errno == EINVAL)
            return hf_fail(
                error, HF_E_MISSING,
                "cannot pin to CPU %d: it does not exist, is offline, or is outside this process's cpuset",
                cpu);
        return hf_fail_errno(error, errno, "cannot pin to CPU %d", cpu);
    }
    return check_pinned(cpu, error);
}

int hf_allowed_cpus(int16_t *ret_cpus, int max, int *ret_count, struct hf_error *error)
{
    union mask mask;
    int count = 0;

    if (read_mask(&mask, error) != HF_OK)
        return error->code;
    for (int cpu = 0; cpu < HF_CPUS_MAX; cpu++) {
        if (!CPU_ISSET_S((size_t)cpu, sizeof mask, &mask.set))
            continue;
        if (count == max)
            return hf_fail(error, HF_E_RANGE, "this process may run on more than %d CPUs", max);
        ret_cpus[count++] = (int16_t)cpu;
    }
    *ret_count = count;
    return HF_OK;
}
