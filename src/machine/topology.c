/*
 * Core groups from a loaded hwloc topology.
 *
 * Invariants:
 *  1. A group's CPUs are found from the CPUs upward (each usable CPU's nearest shared thing), never from a
 * cache's own list downward: lists go stale when CPUs go offline, and caches whose CPUs are all forbidden
 * never make a group.
 *  2. Every usable CPU is in exactly one group; usable = online, allowed by hwloc (cgroup), and for the live
 * machine also in this process's affinity.
 *  3. Caches are told apart by object, not by `id`, which some hypervisors set per CPU.
 *  4. What was guessed, dropped or doubted stands in `notes` or `source`.
 */
#include "holdfast/topology.h"

#include <assert.h>
#include <hwloc.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/memory.h"
#include "machine/files.h"
#include "machine/source.h"

/* Larger than any last-level cache that one group of cores has today (engineering judgement, no source). */
#define CACHE_BYTES_DOUBTED (UINT64_C(1) << 30)

#define CACHE_LEVEL_MAX 5 /* hwloc knows level 1 to 5 */

enum rule {
    RULE_CACHE,
    RULE_PACKAGE,
    RULE_NUMA,
    RULE_ALL
};

struct member {
    hwloc_obj_t pu;
    hwloc_obj_t owner; /* NULL: nothing shared of the kind that the rule wants */
    int group;
    int thread; /* how many usable threads of its core have a lower CPU number */
    int16_t cpu;
    int16_t core;
};

struct builder {
    hwloc_topology_t hwloc;
    const struct hf_source *source;
    struct hf_topology *topology;
    hwloc_bitmap_t usable;
    enum rule rule;
    int level;
    int count;
    hwloc_obj_t owner[HF_GROUPS_MAX];
    struct member member[HF_CPUS_MAX];
    int threads_seen[2 * HF_CPUS_MAX]; /* by core number: core objects first, then CPUs without one */
};

/* A sentence that does not fit is left out whole. */
__attribute__((format(printf, 2, 3))) static void add_note(struct hf_topology *topology, const char *format,
                                                           ...)
{
    char sentence[sizeof topology->notes];
    size_t used = strlen(topology->notes);
    va_list arguments;
    int size;

    va_start(arguments, format);
    size = vsnprintf(sentence, sizeof sentence, format, arguments);
    va_end(arguments);
    if (size < 0 || (size_t)size + 2 > sizeof topology->notes - used)
        return;
    (void)snprintf(topology->notes + used, sizeof topology->notes - used, "%s%s", used > 0 ? " " : "",
                   sentence);
}

/* --- which CPUs can be used ------------------------------------------------------------------------- */

/* CPUs kept away from ordinary scheduling are missing from everybody's affinity, yet can be pinned to by
 * name. */
static void add_isolated(hwloc_bitmap_t set)
{
    int *list = hf_allocate(HF_CPUS_MAX, sizeof *list);
    int count =
        list != NULL ? hf_file_cpu_list(NULL, "/sys/devices/system/cpu/isolated", list, HF_CPUS_MAX) : 0;

    for (int i = 0; i < count; i++)
        (void)hwloc_bitmap_set(set, (unsigned)list[i]);
    hf_free(list);
}

static int keep_own_affinity(hwloc_bitmap_t usable, struct hf_error *error)
{
    int16_t *cpus = hf_allocate(HF_CPUS_MAX, sizeof *cpus);
    hwloc_bitmap_t own = hwloc_bitmap_alloc();
    int count = 0;
    int code;

    if (cpus == NULL || own == NULL)
        code = hf_fail(error, HF_E_MEMORY, "no memory for the list of allowed CPUs");
    else
        code = hf_allowed_cpus(cpus, HF_CPUS_MAX, &count, error);
    for (int i = 0; code == HF_OK && i < count; i++)
        (void)hwloc_bitmap_set(own, (unsigned)cpus[i]);
    if (code == HF_OK) {
        add_isolated(own);
        (void)hwloc_bitmap_and(usable, usable, own);
    }
    hwloc_bitmap_free(own);
    hf_free(cpus);
    return code;
}

static int find_usable(struct builder *builder, struct hf_error *error)
{
    hwloc_const_bitmap_t online = hwloc_topology_get_topology_cpuset(builder->hwloc);
    hwloc_const_bitmap_t complete = hwloc_topology_get_complete_cpuset(builder->hwloc);
    hwloc_const_bitmap_t allowed = hwloc_topology_get_allowed_cpuset(builder->hwloc);
    int online_count = hwloc_bitmap_weight(online);

    if (hwloc_bitmap_and(builder->usable, online, allowed) != 0)
        return hf_fail(error, HF_E_MEMORY, "no memory for a set of CPUs");
    if (builder->topology->is_this_system && keep_own_affinity(builder->usable, error) != HF_OK)
        return error->code;
    builder->topology->offline_count = hwloc_bitmap_weight(complete) - online_count;
    builder->topology->not_allowed_count = online_count - hwloc_bitmap_weight(builder->usable);
    assert(builder->topology->offline_count >= 0 && builder->topology->not_allowed_count >= 0);
    return HF_OK;
}

static int16_t core_number(const struct builder *builder, hwloc_obj_t pu)
{
    hwloc_obj_t core = hwloc_get_ancestor_obj_by_type(builder->hwloc, HWLOC_OBJ_CORE, pu);
    int cores = hwloc_get_nbobjs_by_type(builder->hwloc, HWLOC_OBJ_CORE);

    if (core != NULL)
        return (int16_t)core->logical_index;
    return (int16_t)((cores > 0 ? cores : 0) + (int)pu->logical_index);
}

static int compare_members(const void *left, const void *right)
{
    return ((const struct member *)left)->cpu - ((const struct member *)right)->cpu;
}

static int collect_members(struct builder *builder, struct hf_error *error)
{
    hwloc_obj_t pu = NULL;

    while ((pu = hwloc_get_next_obj_by_type(builder->hwloc, HWLOC_OBJ_PU, pu)) != NULL) {
        if (!hwloc_bitmap_isset(builder->usable, pu->os_index))
            continue;
        if (pu->os_index >= HF_CPUS_MAX || pu->logical_index >= HF_CPUS_MAX)
            return hf_fail(error, HF_E_RANGE, "CPU %u is beyond the %d that a profile can name", pu->os_index,
                           HF_CPUS_MAX);
        assert(builder->count < HF_CPUS_MAX);
        builder->member[builder->count++] = (struct member){
            .pu = pu, .group = -1, .cpu = (int16_t)pu->os_index, .core = core_number(builder, pu)};
    }
    if (builder->count == 0)
        return hf_fail(
            error, HF_E_MISSING,
            "no CPU is left to this process (%d offline, %d not allowed): widen its cpuset or affinity",
            builder->topology->offline_count, builder->topology->not_allowed_count);
    qsort(builder->member, (size_t)builder->count, sizeof builder->member[0], compare_members);
    for (int i = 0; i < builder->count; i++)
        builder->member[i].thread = builder->threads_seen[builder->member[i].core]++;
    return HF_OK;
}

/* --- which thing the groups share ------------------------------------------------------------------- */

static hwloc_obj_t cache_above(hwloc_obj_t pu, int level)
{
    for (hwloc_obj_t at = pu->parent; at != NULL; at = at->parent) {
        if (hwloc_obj_type_is_cache(at->type) && (int)at->attr->cache.depth == level &&
            at->attr->cache.type == HWLOC_OBJ_CACHE_UNIFIED)
            return at;
    }
    return NULL;
}

/* NUMA nodes hang beside the tree of CPUs, so they are searched by CPU. */
static hwloc_obj_t numa_of(const struct builder *builder, hwloc_obj_t pu)
{
    hwloc_obj_t node = NULL;

    while ((node = hwloc_get_next_obj_by_type(builder->hwloc, HWLOC_OBJ_NUMANODE, node)) != NULL) {
        if (hwloc_bitmap_isset(node->cpuset, pu->os_index))
            return node;
    }
    return NULL;
}

static hwloc_obj_t owner_of(const struct builder *builder, hwloc_obj_t pu)
{
    switch (builder->rule) {
    case RULE_CACHE:
        return cache_above(pu, builder->level);
    case RULE_PACKAGE:
        return hwloc_get_ancestor_obj_by_type(builder->hwloc, HWLOC_OBJ_PACKAGE, pu);
    case RULE_NUMA:
        return numa_of(builder, pu);
    case RULE_ALL:
        break;
    }
    return hwloc_get_root_obj(builder->hwloc);
}

static int any_member_owned(const struct builder *builder)
{
    for (int i = 0; i < builder->count; i++) {
        if (owner_of(builder, builder->member[i].pu) != NULL)
            return 1;
    }
    return 0;
}

static int numa_tells_apart(const struct builder *builder)
{
    hwloc_obj_t first = numa_of(builder, builder->member[0].pu);

    for (int i = 1; i < builder->count; i++) {
        if (numa_of(builder, builder->member[i].pu) != first)
            return 1;
    }
    return 0;
}

/* Level 3 first: it is the last level that cores share where a level 4 sits beside the memory. */
static void choose_rule(struct builder *builder)
{
    static const int levels[] = {3, CACHE_LEVEL_MAX, 4, 2, 1};

    builder->rule = RULE_CACHE;
    for (size_t i = 0; i < sizeof levels / sizeof levels[0]; i++) {
        builder->level = levels[i];
        if (any_member_owned(builder))
            return;
    }
    builder->level = 0;
    builder->rule = RULE_PACKAGE;
    if (!any_member_owned(builder))
        builder->rule = numa_tells_apart(builder) ? RULE_NUMA : RULE_ALL;
}

/* --- groups ----------------------------------------------------------------------------------------- */

static int group_of_owner(struct builder *builder, hwloc_obj_t owner, struct hf_error *error)
{
    struct hf_topology *topology = builder->topology;
    int group = 0;

    while (group < topology->group_count && builder->owner[group] != owner)
        group++;
    if (group == HF_GROUPS_MAX)
        return hf_fail(error, HF_E_RANGE, "this machine has more than %d core groups", HF_GROUPS_MAX);
    if (group == topology->group_count)
        builder->owner[topology->group_count++] = owner;
    return group;
}

static int assign_groups(struct builder *builder, struct hf_error *error)
{
    for (int i = 0; i < builder->count; i++) {
        struct member *member = &builder->member[i];

        member->owner = owner_of(builder, member->pu);
        member->group = group_of_owner(builder, member->owner, error);
        if (member->group < 0)
            return member->group;
    }
    assert(builder->topology->group_count >= 1);
    return HF_OK;
}

static void describe_group(const struct builder *builder, int index)
{
    struct hf_topology_group *group = &builder->topology->group[index];
    hwloc_obj_t owner = builder->owner[index];

    (void)snprintf(group->name, sizeof group->name, "g%d", index);
    if (owner == NULL)
        (void)snprintf(group->source, sizeof group->source, "outside any %s",
                       builder->rule == RULE_CACHE ? "last-level cache" : "package (no cache information)");
    else if (builder->rule == RULE_PACKAGE)
        (void)snprintf(group->source, sizeof group->source, "package (no cache information)");
    else if (builder->rule == RULE_NUMA)
        (void)snprintf(group->source, sizeof group->source, "NUMA node (no cache information)");
    else if (builder->rule == RULE_ALL)
        (void)snprintf(group->source, sizeof group->source, "all CPUs (no cache information)");
    if (owner == NULL || builder->rule != RULE_CACHE)
        return;
    group->cache_level = builder->level;
    group->cache_bytes = owner->attr->cache.size;
    (void)snprintf(group->source, sizeof group->source, "level-%d cache", builder->level);
}

/* By the group's first CPU: a cache lies in one package. */
static int package_of(const struct builder *builder, int cpu)
{
    hwloc_obj_t pu = hwloc_get_pu_obj_by_os_index(builder->hwloc, (unsigned)cpu);
    hwloc_obj_t package =
        pu != NULL ? hwloc_get_ancestor_obj_by_type(builder->hwloc, HWLOC_OBJ_PACKAGE, pu) : NULL;

    return package != NULL ? (int)package->logical_index : -1;
}

static void fill_group(const struct builder *builder, int index)
{
    struct hf_topology *topology = builder->topology;
    struct hf_topology_group *group = &topology->group[index];

    group->cpu_first = topology->cpu_count;
    for (int i = 0; i < builder->count; i++) {
        const struct member *member = &builder->member[i];
        int at = topology->cpu_count;

        if (member->group != index)
            continue;
        topology->cpu[at] = member->cpu;
        topology->core[at] = member->core;
        topology->thread_of_core[at] = member->thread;
        group->core_count += topology->thread_of_core[at] == 0;
        topology->smt |= topology->thread_of_core[at] > 0;
        topology->cpu_count++;
    }
    group->cpu_count = topology->cpu_count - group->cpu_first;
    group->package = package_of(builder, topology->cpu[group->cpu_first]);
    describe_group(builder, index);
    assert(group->cpu_count >= 1);
}

/* --- what a person should know ---------------------------------------------------------------------- */

static int count_with_usable(const struct builder *builder, hwloc_obj_type_t type)
{
    hwloc_obj_t at = NULL;
    int count = 0;

    while ((at = hwloc_get_next_obj_by_type(builder->hwloc, type, at)) != NULL)
        count += hwloc_bitmap_intersects(at->cpuset, builder->usable);
    return count;
}

/* Last-level caches that are listed although none of their CPUs can be used. */
static int count_empty_caches(const struct builder *builder)
{
    int count = 0;

    for (int depth = 0; depth < hwloc_topology_get_depth(builder->hwloc); depth++) {
        hwloc_obj_t at = NULL;

        while ((at = hwloc_get_next_obj_by_depth(builder->hwloc, depth, at)) != NULL)
            count += hwloc_obj_type_is_cache(at->type) && (int)at->attr->cache.depth == builder->level &&
                     !hwloc_bitmap_intersects(at->cpuset, builder->usable);
    }
    return count;
}

static const char *cache_doubt(const struct builder *builder, const struct member *member)
{
    uint64_t bytes = member->owner->attr->cache.size;
    hwloc_obj_t below = builder->level > 2 ? cache_above(member->pu, 2) : NULL;

    if (bytes == 0)
        return "has no size";
    if (bytes > CACHE_BYTES_DOUBTED)
        return "is implausibly large";
    if (below != NULL && below->attr->cache.size > bytes)
        return "is smaller than a level-2 cache below it";
    return NULL;
}

static void note_doubtful_caches(struct builder *builder)
{
    if (builder->rule != RULE_CACHE)
        return;
    for (int i = 0; i < builder->count; i++) {
        const struct member *member = &builder->member[i];
        const char *doubt = member->owner != NULL ? cache_doubt(builder, member) : NULL;

        if (doubt == NULL)
            continue;
        add_note(builder->topology,
                 "The level-%d cache of CPU %d (%llu KiB) %s: it may not be real, so check the groups.",
                 builder->level, member->cpu, (unsigned long long)(member->owner->attr->cache.size / 1024),
                 doubt);
        return;
    }
}

/* A cache that only the CPUID instruction names is often a hypervisor's invention. */
static void note_cache_without_kernel(struct builder *builder)
{
    struct hf_topology *topology = builder->topology;
    int cpu = builder->member[0].cpu;

    if (builder->rule != RULE_CACHE || !topology->is_this_system ||
        hf_file_has_cache_level(NULL, cpu, builder->level))
        return;
    for (int i = 0; i < topology->group_count; i++) {
        if (builder->owner[i] != NULL)
            (void)snprintf(topology->group[i].source, sizeof topology->group[i].source,
                           "level-%d cache (CPUID only)", builder->level);
    }
    add_note(topology,
             "The kernel lists no level-%d cache, only CPUID does: it may not be real, so check the groups.",
             builder->level);
}

static void note_shape(struct builder *builder)
{
    struct hf_topology *topology = builder->topology;
    int unequal = 0;
    int lone = topology->group_count > 1;
    int kinds = hwloc_cpukinds_get_nr(builder->hwloc, 0);

    for (int i = 0; i < topology->group_count; i++) {
        unequal |= topology->group[i].core_count != topology->group[0].core_count;
        lone &= topology->group[i].core_count == 1;
    }
    if (unequal)
        add_note(topology, "The groups differ in size.");
    if (kinds > 1)
        add_note(topology, "The machine is asymmetric: it has %d kinds of core.", kinds);
    if (lone && builder->level != 3)
        add_note(topology,
                 "Every core is a group of its own: check that the ratio can really be set for each core.");
}

static void note_outside(struct builder *builder)
{
    for (int i = 0; i < builder->topology->group_count; i++) {
        if (builder->owner[i] == NULL)
            add_note(builder->topology, "%d CPUs lie %s; they are group %s.",
                     builder->topology->group[i].cpu_count, builder->topology->group[i].source,
                     builder->topology->group[i].name);
    }
}

static void add_notes(struct builder *builder)
{
    struct hf_topology *topology = builder->topology;
    int empty = builder->rule == RULE_CACHE ? count_empty_caches(builder) : 0;

    if (!topology->is_this_system)
        add_note(topology, "This is not the machine that holdfast runs on (%s).",
                 builder->source->named_by != NULL ? builder->source->named_by : "told by hwloc");
    if (builder->rule != RULE_CACHE)
        add_note(topology, "There is no cache information: the groups are a guess (%s).",
                 topology->group[0].source);
    else if (builder->level != 3)
        add_note(topology, "There is no level-3 cache: the groups share a level-%d cache.", builder->level);
    note_outside(builder);
    if (empty > 0)
        add_note(topology, "%d level-%d caches have no usable CPU and were dropped.", empty, builder->level);
    note_doubtful_caches(builder);
    note_cache_without_kernel(builder);
    note_shape(builder);
}

/* --- the whole -------------------------------------------------------------------------------------- */

static int build(struct builder *builder, struct hf_error *error)
{
    struct hf_topology *topology = builder->topology;

    topology->is_this_system =
        builder->source->kind == HF_SOURCE_LIVE && hwloc_topology_is_thissystem(builder->hwloc);
    if (find_usable(builder, error) != HF_OK || collect_members(builder, error) != HF_OK)
        return error->code;
    choose_rule(builder);
    if (assign_groups(builder, error) != HF_OK)
        return error->code;
    for (int group = 0; group < topology->group_count; group++)
        fill_group(builder, group);
    assert(topology->cpu_count == builder->count);
    topology->package_count = count_with_usable(builder, HWLOC_OBJ_PACKAGE);
    topology->numa_count = count_with_usable(builder, HWLOC_OBJ_NUMANODE);
    add_notes(builder);
    return HF_OK;
}

static int build_new(const struct hf_source *source, hwloc_topology_t hwloc,
                     struct hf_topology **ret_topology, struct hf_error *error)
{
    struct builder *builder = hf_allocate(1, sizeof *builder);
    struct hf_topology *topology = hf_allocate(1, sizeof *topology);
    hwloc_bitmap_t usable = hwloc_bitmap_alloc();
    int code;

    if (builder == NULL || topology == NULL || usable == NULL) {
        code = hf_fail(error, HF_E_MEMORY, "no memory for a topology");
    } else {
        builder->hwloc = hwloc;
        builder->source = source;
        builder->topology = topology;
        builder->usable = usable;
        code = build(builder, error);
    }
    if (code == HF_OK)
        *ret_topology = topology;
    else
        hf_free(topology);
    hwloc_bitmap_free(usable);
    hf_free(builder);
    return code;
}

int hf_topology_new(const char *root, struct hf_topology **ret_topology, struct hf_error *error)
{
    struct hf_source source;
    hwloc_topology_t hwloc;
    int code;

    if (hf_source_choose(root, &source, error) != HF_OK || hf_source_load(&source, &hwloc, error) != HF_OK)
        return error->code;
    code = build_new(&source, hwloc, ret_topology, error);
    hwloc_topology_destroy(hwloc);
    return code;
}

void hf_topology_free(struct hf_topology *topology)
{
    hf_free(topology);
}
