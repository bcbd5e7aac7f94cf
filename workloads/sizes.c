/*
 * Sizes of the memory kernels' arenas: see sizes.h.
 *
 * The kernel tells caches in /sys/devices/system/cpu/cpuN/cache/indexM: "level", "type" (Data, Instruction,
 * Unified), "size" (with a K or M) and "shared_cpu_list" (Linux,
 * Documentation/ABI/testing/sysfs-devices-system-cpu), and in /proc/meminfo what memory there is without
 * swapping ("MemAvailable", in kB; man proc 5).
 */
#include "workloads/sizes.h"

#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define KIB       UINT64_C(1024)
#define MIB       (KIB * 1024)
#define INDEX_MAX 10
#define LINE_MAX  4096
#define PATH_MAX_ 512
#define MEMORY_SHARE                                                                                         \
    4 /* of what is available: one arena a worker takes a quarter at most; it may need two at once */

/* What a core of the last ten years has at least (common practice, no source): for a machine that does not
 * say. */
static const uint64_t assumed_bytes[HF_LEVEL_MEMORY] = {0, 32 * KIB, 256 * KIB, 2 * MIB};

static struct hf_sizes present;
static int is_set;

static uint64_t floor_power(uint64_t bytes)
{
    uint64_t power = 1;

    while (power <= bytes / 2)
        power *= 2;
    return power;
}

static uint64_t within(uint64_t bytes, uint64_t low, uint64_t high)
{
    return bytes < low ? low : (bytes > high ? high : bytes);
}

/* Bytes of a cache that one of the workers can call its own. */
static uint64_t share_of(const struct hf_sizes *sizes, int level, int workers)
{
    uint64_t sharers = sizes->cache_sharers[level] > 0 ? sizes->cache_sharers[level] : 1;

    if (sharers > (uint64_t)workers)
        sharers = (uint64_t)workers;
    return sizes->cache_bytes[level] / sharers;
}

/* Three quarters of the share: code, stacks and the neighbours' data live there too. Twice what the level
 * before holds at least, or that one would answer. */
static uint64_t cache_arena(const struct hf_sizes *sizes, int level, int workers, uint64_t below_bytes)
{
    uint64_t arena = floor_power(share_of(sizes, level, workers) / 4 * 3);

    if (arena < 2 * below_bytes)
        arena = floor_power(4 * below_bytes - 1);
    return within(arena, HF_ARENA_BYTES_MIN, HF_ARENA_BYTES_MAX);
}

void hf_sizes_choose(struct hf_sizes *sizes, int workers, uint64_t budget_bytes)
{
    uint64_t high = floor_power(within(budget_bytes, HF_ARENA_BYTES_MIN, HF_ARENA_BYTES_MAX));
    uint64_t last_share = 0;
    uint64_t below = 0;
    uint64_t memory;

    assert(workers >= 1);
    for (int level = 1; level < HF_LEVEL_MEMORY; level++) {
        sizes->arena_bytes[level] =
            within(cache_arena(sizes, level, workers, below), HF_ARENA_BYTES_MIN, high);
        if (sizes->cache_bytes[level] > below)
            below = sizes->cache_bytes[level];
        if (share_of(sizes, level, workers) > last_share)
            last_share = share_of(sizes, level, workers);
    }
    memory = within(2 * floor_power(4 * last_share - 1), HF_ARENA_BYTES_MIN, HF_ARENA_BYTES_MAX);
    sizes->arena_bytes[HF_LEVEL_MEMORY] = memory < high ? memory : high;
    sizes->memory_short = sizes->arena_bytes[HF_LEVEL_MEMORY] < 4 * last_share;
    assert(hf_sizes_are_valid(sizes));
}

/* --- reading the machine --- */

/* The first line of a file; 0 when it cannot be read. */
static int read_line(const char *root, const char *path, char ret_line[LINE_MAX])
{
    char full[PATH_MAX_];
    FILE *file;
    int ok;

    (void)snprintf(full, sizeof full, "%s%s", root != NULL ? root : "", path);
    file = fopen(full, "re");
    if (file == NULL)
        return 0;
    ok = fgets(ret_line, LINE_MAX, file) != NULL;
    (void)fclose(file);
    return ok;
}

static uint64_t parse_bytes(const char *line)
{
    char *end;
    uint64_t bytes = strtoull(line, &end, 10);

    if (*end == 'K')
        bytes *= KIB;
    else if (*end == 'M')
        bytes *= MIB;
    return bytes <= (UINT64_C(1) << 40) ? bytes : 0;
}

/* How many CPUs a list like "0-3,8" names; 0 when it is none. */
static uint32_t parse_list_count(const char *line)
{
    uint64_t count = 0;

    for (;;) {
        char *end;
        uint64_t low = strtoull(line, &end, 10);
        uint64_t high = low;

        if (end == line)
            return 0;
        if (*end == '-') {
            line = end + 1;
            high = strtoull(line, &end, 10);
            if (end == line || high < low || high - low > 65535)
                return 0;
        }
        count += high - low + 1;
        if (*end != ',')
            return count <= 65536 ? (uint32_t)count : 0;
        line = end + 1;
    }
}

/* One entry of the CPU's list of caches; 0 when the list ends there. */
static int read_cache(const char *root, int cpu, int index, struct hf_sizes *sizes)
{
    char line[LINE_MAX];
    char path[160];
    char folder[96];
    long level;
    uint32_t sharers = 0;

    (void)snprintf(folder, sizeof folder, "/sys/devices/system/cpu/cpu%d/cache/index%d", cpu, index);
    (void)snprintf(path, sizeof path, "%s/level", folder);
    if (!read_line(root, path, line))
        return 0;
    level = strtol(line, NULL, 10);
    (void)snprintf(path, sizeof path, "%s/type", folder);
    if (level < 1 || level > 3 || !read_line(root, path, line) || strncmp(line, "Instruction", 11) == 0)
        return 1;
    (void)snprintf(path, sizeof path, "%s/shared_cpu_list", folder);
    if (read_line(root, path, line))
        sharers = parse_list_count(line);
    (void)snprintf(path, sizeof path, "%s/size", folder);
    if (read_line(root, path, line))
        sizes->cache_bytes[level] = parse_bytes(line);
    sizes->cache_sharers[level] = sharers > 0 ? sharers : 1;
    return 1;
}

/* Level 1 and 2 are in every processor; without a level 3 the second is the last. */
static void assume_missing(struct hf_sizes *sizes)
{
    int missing = (sizes->cache_bytes[1] == 0) + (sizes->cache_bytes[2] == 0);

    sizes->source = missing == 0 ? HF_SIZES_FOUND : (missing == 1 ? HF_SIZES_PARTLY : HF_SIZES_ASSUMED);
    if (missing == 2 && sizes->cache_bytes[3] != 0)
        sizes->source = HF_SIZES_PARTLY;
    for (int level = 1; level < HF_LEVEL_MEMORY; level++) {
        if (sizes->cache_bytes[level] != 0 || (level == 3 && missing < 2))
            continue;
        sizes->cache_bytes[level] = assumed_bytes[level];
        sizes->cache_sharers[level] = 1;
    }
}

static uint64_t available_bytes(const char *root)
{
    char full[PATH_MAX_];
    char line[LINE_MAX];
    uint64_t kib = 0;
    FILE *file;

    (void)snprintf(full, sizeof full, "%s/proc/meminfo", root != NULL ? root : "");
    file = fopen(full, "re");
    if (file == NULL)
        return 0;
    while (kib == 0 && fgets(line, sizeof line, file) != NULL) {
        if (strncmp(line, "MemAvailable:", 13) == 0)
            kib = strtoull(line + 13, NULL, 10);
    }
    (void)fclose(file);
    return kib * KIB;
}

int hf_sizes_find(const char *root, int cpu, int workers, struct hf_sizes *ret_sizes, struct hf_error *error)
{
    struct hf_sizes sizes = {0};
    uint64_t available = available_bytes(root);
    uint64_t budget;
    uint64_t least;

    assert(workers >= 1);
    for (int index = 0; index < INDEX_MAX && read_cache(root, cpu, index, &sizes); index++)
        ;
    assume_missing(&sizes);
    if (available == 0) /* an old kernel, or none told: little enough for any machine */
        available = 512 * MIB;
    budget = available / MEMORY_SHARE / (uint64_t)workers;
    hf_sizes_choose(&sizes, workers, HF_ARENA_BYTES_MAX);
    least = sizes.arena_bytes[2];
    if (budget < least)
        return hf_fail(
            error, HF_E_MEMORY,
            "%d workers need at least %llu KiB each to load caches and memory, but only %llu MiB of memory "
            "are available: end other programs, or test fewer cores at a time",
            workers, (unsigned long long)(least / KIB), (unsigned long long)(available / MIB));
    hf_sizes_choose(&sizes, workers, budget);
    *ret_sizes = sizes;
    return HF_OK;
}

void hf_sizes_divide(struct hf_sizes *sizes, int sharing)
{
    assert(sharing >= 1);
    for (int level = 3; level < HF_LEVELS; level++) {
        uint64_t bytes = floor_power(sizes->arena_bytes[level] / (uint64_t)sharing);

        sizes->arena_bytes[level] = within(bytes, sizes->arena_bytes[2], sizes->arena_bytes[level]);
    }
    assert(hf_sizes_are_valid(sizes));
}

void hf_sizes_small(struct hf_sizes *ret_sizes)
{
    *ret_sizes = (struct hf_sizes){.arena_bytes = {0, 16 * KIB, 32 * KIB, 64 * KIB, 256 * KIB},
                                   .source = HF_SIZES_SMALL};
}

int hf_sizes_are_valid(const struct hf_sizes *sizes)
{
    for (int level = 1; level < HF_LEVELS; level++) {
        uint64_t bytes = sizes->arena_bytes[level];

        if (bytes < HF_ARENA_BYTES_MIN || bytes > HF_ARENA_BYTES_MAX || (bytes & (bytes - 1)) != 0)
            return 0;
    }
    return 1;
}

void hf_sizes_set(const struct hf_sizes *sizes)
{
    assert(hf_sizes_are_valid(sizes));
    present = *sizes;
    is_set = 1;
}

const struct hf_sizes *hf_sizes_get(void)
{
    if (!is_set) {
        hf_sizes_small(&present);
        is_set = 1;
    }
    return &present;
}

const char *hf_level_name(int level)
{
    static const char *const names[HF_LEVELS] = {"", "l1", "l2", "l3", "memory"};

    assert(level >= 1 && level < HF_LEVELS);
    return names[level];
}

const char *hf_sizes_source_name(int source)
{
    static const char *const names[] = {"found", "partly assumed", "assumed", "small", "given"};

    return source >= 0 && source < 5 ? names[source] : "unknown";
}
