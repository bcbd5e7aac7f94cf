/* The real counters: perf_event_open(2), the time stamp counter, CLOCK_MONOTONIC_RAW. */
#include <errno.h>
#include <linux/perf_event.h>
#include <string.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#include "holdfast/true_clock.h"

#define VALUES_MAX 8

static int real_open(void *context, uint32_t type, uint64_t config, int cpu, int group)
{
    struct perf_event_attr attributes;
    long handle;

    (void)context;
    (void)memset(&attributes, 0, sizeof attributes);
    attributes.size = sizeof attributes;
    attributes.type = type;
    attributes.config = config;
    attributes.read_format = PERF_FORMAT_GROUP;
    handle = syscall(SYS_perf_event_open, &attributes, -1, cpu, group, PERF_FLAG_FD_CLOEXEC);
    return handle >= 0 ? (int)handle : -errno;
}

/* PERF_FORMAT_GROUP: the count of values, then the values. */
static int real_read(void *context, int handle, uint64_t *ret_values, int max)
{
    uint64_t raw[1 + VALUES_MAX];
    ssize_t got = read(handle, raw, sizeof raw);
    int count;

    (void)context;
    if (got < 0)
        return -errno;
    if (got < (ssize_t)(2 * sizeof raw[0]) || raw[0] > VALUES_MAX ||
        (size_t)got != (size_t)(1 + raw[0]) * sizeof raw[0])
        return -EIO;
    count = (int)raw[0] < max ? (int)raw[0] : max;
    (void)memcpy(ret_values, raw + 1, (size_t)count * sizeof raw[0]);
    return count;
}

static void real_close(void *context, int handle)
{
    (void)context;
    (void)close(handle);
}

static uint64_t real_tsc(void *context)
{
    (void)context;
#if defined(__x86_64__)
    return __builtin_ia32_rdtsc();
#else
    return 0;
#endif
}

static int64_t real_raw_ns(void *context)
{
    struct timespec now = {0};

    (void)context;
    (void)clock_gettime(CLOCK_MONOTONIC_RAW, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

const struct hf_clock_counters hf_clock_counters_real = {real_open,   real_read, real_close, real_tsc,
                                                         real_raw_ns, NULL,      0};
