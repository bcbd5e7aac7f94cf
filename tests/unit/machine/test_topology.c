/* Core groups of made-up, hand-made, recorded and live machines. */
#include "tree.h"

#include <hwloc.h>
#include <sched.h>
#include <time.h>

#include "holdfast/topology.h"

static const char *const variables[] = {"HWLOC_FSROOT",     "HWLOC_XMLFILE",    "HWLOC_SYNTHETIC",
                                        "HWLOC_COMPONENTS", "HWLOC_CPUID_PATH", "HWLOC_THISSYSTEM"};

static int clean_environment(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof variables / sizeof variables[0]; i++)
        unsetenv(variables[i]);
    return 0;
}

/* What holds for every topology, whatever the machine. */
static void check_whole(const struct hf_topology *t)
{
    static unsigned char seen[HF_CPUS_MAX];
    int next = 0;
    int previous_first = -1;

    memset(seen, 0, sizeof seen);
    assert_in_range(t->group_count, 1, HF_GROUPS_MAX);
    for (int g = 0; g < t->group_count; g++) {
        const struct hf_topology_group *group = &t->group[g];
        char name[HF_NAME_MAX];
        int first_threads = 0;

        snprintf(name, sizeof name, "g%d", g);
        assert_string_equal(group->name, name);
        assert_int_equal(group->cpu_first, next);
        assert_true(group->cpu_count >= 1);
        assert_true(group->source[0] != '\0');
        assert_true(t->cpu[next] > previous_first); /* groups stand in order of their first CPU */
        previous_first = t->cpu[next];
        for (int i = next; i < next + group->cpu_count; i++) {
            assert_in_range(t->cpu[i], 0, HF_CPUS_MAX - 1);
            assert_false(seen[t->cpu[i]]);
            seen[t->cpu[i]] = 1;
            assert_true(i == next || t->cpu[i] > t->cpu[i - 1]);
            first_threads += t->thread_of_core[i] == 0;
            for (int k = next; k < i; k++) /* siblings are numbered upwards */
                assert_true(t->core[k] != t->core[i] || t->thread_of_core[k] < t->thread_of_core[i]);
        }
        assert_int_equal(group->core_count, first_threads);
        next += group->cpu_count;
    }
    assert_int_equal(t->cpu_count, next);
    assert_true(t->offline_count >= 0 && t->not_allowed_count >= 0);
}

static struct hf_topology *load(const char *root)
{
    struct hf_topology *t = NULL;
    struct hf_error error = {0};
    int code = hf_topology_new(root, &t, &error);

    if (code != HF_OK)
        fail_msg("%s", error.message);
    check_whole(t);
    return t;
}

static struct hf_topology *load_synthetic(const char *description)
{
    setenv("HWLOC_SYNTHETIC", description, 1);
    return load(NULL);
}

static void expect_refused(const char *root, int code, const char *words)
{
    struct hf_topology *untouched = (struct hf_topology *)&untouched;
    struct hf_topology *t = untouched;
    struct hf_error error = {0};
    int got = hf_topology_new(root, &t, &error);

    if (got != code || strstr(error.message, words) == NULL)
        fail_msg("expected %s with \"%s\"; got %s: %s", hf_error_name(code), words, hf_error_name(got),
                 error.message);
    assert_ptr_equal(t, untouched);
}

/* --- made-up machines -------------------------------------------------------------------------------- */

static void test_24_groups_of_16(void **state)
{
    struct hf_topology *t = load_synthetic("pack:1 l3:24(size=32MiB) l2:8 core:1 pu:2");

    (void)state;
    assert_int_equal(t->group_count, 24);
    assert_int_equal(t->cpu_count, 384);
    assert_int_equal(t->smt, 1);
    assert_int_equal(t->is_this_system, 0);
    assert_int_equal(t->package_count, 1);
    for (int g = 0; g < 24; g++) {
        assert_int_equal(t->group[g].cpu_count, 16);
        assert_int_equal(t->group[g].core_count, 8);
        assert_int_equal(t->group[g].cache_level, 3);
        assert_int_equal(t->group[g].cache_bytes, 32 << 20);
        assert_string_equal(t->group[g].source, "level-3 cache");
        assert_int_equal(t->cpu[t->group[g].cpu_first], 16 * g);
    }
    assert_string_equal(t->group[23].name, "g23");
    hf_topology_free(t);
}

static void test_interleaved_numbers(void **state)
{
    /* CPU numbers dealt round the caches: group k holds k, k+4, k+8, k+12 */
    struct hf_topology *t =
        load_synthetic("pack:1 l3:4 core:4 pu:1(indexes=0,4,8,12,1,5,9,13,2,6,10,14,3,7,11,15)");

    (void)state;
    assert_int_equal(t->group_count, 4);
    for (int g = 0; g < 4; g++) {
        for (int i = 0; i < 4; i++)
            assert_int_equal(t->cpu[4 * g + i], g + 4 * i);
    }
    hf_topology_free(t);
}

static void test_numbers_backwards(void **state)
{
    /* the cache that hwloc lists last holds CPU 0: it must be g0 */
    struct hf_topology *t = load_synthetic("pack:1 l3:2 core:2 pu:1(indexes=3,2,1,0)");

    (void)state;
    assert_int_equal(t->group_count, 2);
    assert_int_equal(t->cpu[0], 0);
    assert_int_equal(t->cpu[1], 1);
    assert_int_equal(t->cpu[2], 2);
    assert_int_equal(t->cpu[3], 3);
    hf_topology_free(t);
}

static void test_level_2_only(void **state)
{
    struct hf_topology *t = load_synthetic("pack:1 l2:4(size=2MiB) core:2 pu:1");

    (void)state;
    assert_int_equal(t->group_count, 4);
    assert_int_equal(t->group[3].cpu_count, 2);
    assert_int_equal(t->group[0].cache_level, 2);
    assert_int_equal(t->group[0].cache_bytes, 2 << 20);
    assert_string_equal(t->group[0].source, "level-2 cache");
    assert_non_null(strstr(t->notes, "no level-3 cache"));
    assert_null(strstr(t->notes, "a group of its own"));
    hf_topology_free(t);
    t = load_synthetic("pack:1 l2:4 core:1 pu:2");
    assert_int_equal(t->group_count, 4);
    assert_non_null(strstr(t->notes, "Every core is a group of its own"));
    hf_topology_free(t);
}

static void test_level_4_beside_memory(void **state)
{
    struct hf_topology *t = load_synthetic("pack:1 l4:1 l3:2 core:4 pu:1");

    (void)state;
    assert_int_equal(t->group_count, 2);
    assert_int_equal(t->group[0].cache_level, 3);
    hf_topology_free(t);
    t = load_synthetic("pack:2 l4:1 core:4 pu:1");
    assert_int_equal(t->group_count, 2);
    assert_int_equal(t->group[0].cache_level, 4);
    hf_topology_free(t);
}

static void test_4_way_threads(void **state)
{
    struct hf_topology *t = load_synthetic("pack:2 l3:2 core:4 pu:4");

    (void)state;
    assert_int_equal(t->group_count, 4);
    assert_int_equal(t->smt, 1);
    assert_int_equal(t->package_count, 2);
    for (int g = 0; g < 4; g++)
        assert_int_equal(t->group[g].package, g / 2);
    for (int i = 0; i < t->cpu_count; i++) {
        assert_int_equal(t->thread_of_core[i], t->cpu[i] % 4);
        assert_int_equal(t->core[i], t->cpu[i] / 4);
    }
    assert_int_equal(t->group[2].core_count, 4);
    assert_int_equal(t->group[2].cpu_count, 16);
    hf_topology_free(t);
}

static void test_one_cpu(void **state)
{
    struct hf_topology *t = load_synthetic("pack:1 l3:1 l2:1 core:1 pu:1");

    (void)state;
    assert_int_equal(t->group_count, 1);
    assert_int_equal(t->cpu_count, 1);
    assert_int_equal(t->cpu[0], 0);
    assert_int_equal(t->smt, 0);
    hf_topology_free(t);
    t = load_synthetic("pu:1");
    assert_int_equal(t->group_count, 1);
    assert_int_equal(t->group[0].cache_level, 0);
    assert_string_equal(t->group[0].source, "all CPUs (no cache information)");
    hf_topology_free(t);
}

static void test_no_cache_information(void **state)
{
    struct hf_topology *t = load_synthetic("pack:2 core:4 pu:1");

    (void)state;
    assert_int_equal(t->group_count, 2);
    assert_string_equal(t->group[0].source, "package (no cache information)");
    assert_int_equal(t->group[0].cache_level, 0);
    assert_int_equal(t->group[0].cache_bytes, 0);
    assert_non_null(strstr(t->notes, "a guess"));
    hf_topology_free(t);
    t = load_synthetic("numa:2 core:4 pu:1");
    assert_int_equal(t->group_count, 2);
    assert_int_equal(t->numa_count, 2);
    assert_string_equal(t->group[1].source, "NUMA node (no cache information)");
    hf_topology_free(t);
    t = load_synthetic("core:4 pu:2");
    assert_int_equal(t->group_count, 1);
    assert_int_equal(t->group[0].cpu_count, 8);
    assert_int_equal(t->group[0].core_count, 4);
    assert_string_equal(t->group[0].source, "all CPUs (no cache information)");
    hf_topology_free(t);
}

static void test_doubtful_cache(void **state)
{
    struct hf_topology *t = load_synthetic("pack:1 l3:2(size=64GiB) core:4 pu:1");

    (void)state;
    assert_int_equal(t->group_count, 2);
    assert_non_null(strstr(t->notes, "implausibly large"));
    hf_topology_free(t);
    t = load_synthetic("pack:1 l3:2(size=1MiB) l2:2(size=4MiB) core:1 pu:1");
    assert_non_null(strstr(t->notes, "smaller than a level-2 cache"));
    hf_topology_free(t);
    t = load_synthetic("pack:1 l3:2(size=32MiB) l2:2(size=1MiB) core:1 pu:1");
    assert_null(strstr(t->notes, "may not be real"));
    hf_topology_free(t);
}

static void test_limits(void **state)
{
    (void)state;
    hf_topology_free(load_synthetic("pack:1 l3:256 core:1 pu:1"));
    setenv("HWLOC_SYNTHETIC", "pack:1 l3:257 core:1 pu:1", 1);
    expect_refused(NULL, HF_E_RANGE, "more than 256 core groups");
    setenv("HWLOC_SYNTHETIC", "pack:1 l3:1 core:2 pu:1(indexes=0,8192)", 1);
    expect_refused(NULL, HF_E_RANGE, "CPU 8192");
}

/* Survey of a made-up machine with 128 CPUs; measured 0.13 ms on the machine this was written on. A second
 * would spoil `survey`. */
static void test_128_cpus_in_time(void **state)
{
    struct timespec begin;
    struct timespec end;
    double milliseconds;

    (void)state;
    clock_gettime(CLOCK_MONOTONIC, &begin);
    for (int i = 0; i < 10; i++)
        hf_topology_free(load_synthetic("pack:1 l3:8(size=32MiB) l2:8 core:1 pu:2"));
    clock_gettime(CLOCK_MONOTONIC, &end);
    milliseconds = (double)(end.tv_sec - begin.tv_sec) * 1e3 + (double)(end.tv_nsec - begin.tv_nsec) / 1e6;
    print_message("128 CPUs: %.2f ms a survey\n", milliseconds / 10);
    assert_true(milliseconds < 10000);
}

/* --- hand-made trees --------------------------------------------------------------------------------- */

/* Kernel bit mask of CPUs first to last: "00000000,000000ff". */
static const char *mask(int first, int last)
{
    static char text[32];
    uint64_t bits = 0;

    for (int cpu = first; cpu <= last; cpu++)
        bits |= UINT64_C(1) << cpu;
    snprintf(text, sizeof text, "%08x,%08x\n", (unsigned)(bits >> 32), (unsigned)bits);
    return text;
}

static void cpu_file(const char *root, int cpu, const char *name, const char *text)
{
    char path[128];

    snprintf(path, sizeof path, "sys/devices/system/cpu/cpu%d/%s", cpu, name);
    tree_file(root, path, text);
}

static void add_cache(const char *root, int cpu, int index, int level, const char *size, int first, int last)
{
    char name[64];
    char number[16];

    snprintf(number, sizeof number, "%d\n", level);
    snprintf(name, sizeof name, "cache/index%d/level", index);
    cpu_file(root, cpu, name, number);
    snprintf(name, sizeof name, "cache/index%d/type", index);
    cpu_file(root, cpu, name, "Unified\n");
    snprintf(name, sizeof name, "cache/index%d/size", index);
    cpu_file(root, cpu, name, size);
    snprintf(name, sizeof name, "cache/index%d/shared_cpu_map", index);
    cpu_file(root, cpu, name, mask(first, last));
}

/* One package of `count` single-threaded cores, each with a level-2 cache of its own. */
static void add_cpus(const char *root, int count)
{
    char list[32];

    for (int cpu = 0; cpu < count; cpu++) {
        char number[16];

        snprintf(number, sizeof number, "%d\n", cpu);
        cpu_file(root, cpu, "topology/physical_package_id", "0\n");
        cpu_file(root, cpu, "topology/core_id", number);
        cpu_file(root, cpu, "topology/core_cpus", mask(cpu, cpu));
        cpu_file(root, cpu, "topology/thread_siblings", mask(cpu, cpu));
        cpu_file(root, cpu, "topology/package_cpus", mask(0, count - 1));
        cpu_file(root, cpu, "topology/core_siblings", mask(0, count - 1));
        add_cache(root, cpu, 2, 2, "1024K\n", cpu, cpu);
    }
    snprintf(list, sizeof list, "0-%d\n", count - 1);
    tree_file(root, "sys/devices/system/cpu/online", list);
    tree_file(root, "sys/devices/system/cpu/possible", list);
    tree_file(root, "sys/devices/system/cpu/present", list);
}

static void test_unequal_groups(void **state)
{
    char *root = tree_new();
    struct hf_topology *t;

    (void)state;
    add_cpus(root, 12);
    for (int cpu = 0; cpu < 12; cpu++)
        add_cache(root, cpu, 3, 3, "32768K\n", cpu < 8 ? 0 : 8, cpu < 8 ? 7 : 11);
    t = load(root);
    assert_int_equal(t->group_count, 2);
    assert_int_equal(t->group[0].cpu_count, 8);
    assert_int_equal(t->group[1].cpu_count, 4);
    assert_int_equal(t->group[1].cache_bytes, 32 << 20);
    assert_non_null(strstr(t->notes, "differ in size"));
    assert_int_equal(t->is_this_system, 0);
    hf_topology_free(t);
    tree_free(root);
}

static void test_cores_outside_any_cache(void **state)
{
    char *root = tree_new();
    struct hf_topology *t;

    (void)state;
    add_cpus(root, 10);
    for (int cpu = 2; cpu < 10; cpu++) /* CPUs 0 and 1 have no level 3 */
        add_cache(root, cpu, 3, 3, "16384K\n", cpu < 6 ? 2 : 6, cpu < 6 ? 5 : 9);
    t = load(root);
    assert_int_equal(t->group_count, 3);
    assert_string_equal(t->group[0].source, "outside any last-level cache");
    assert_int_equal(t->group[0].cache_level, 0);
    assert_int_equal(t->group[0].cpu_count, 2);
    assert_int_equal(t->cpu[0], 0);
    assert_int_equal(t->cpu[1], 1);
    assert_string_equal(t->group[1].source, "level-3 cache");
    assert_int_equal(t->group[2].cpu_count, 4);
    assert_non_null(strstr(t->notes, "2 CPUs lie outside any last-level cache; they are group g0."));
    hf_topology_free(t);
    tree_free(root);
}

static void test_offline_cpu_in_a_stale_list(void **state)
{
    char *root = tree_new();
    struct hf_topology *t;

    (void)state;
    add_cpus(root, 8);
    for (int cpu = 0; cpu < 8; cpu++)
        add_cache(root, cpu, 3, 3, "8192K\n", cpu < 4 ? 0 : 4, cpu < 4 ? 3 : 7);
    tree_file(root, "sys/devices/system/cpu/online", "0-2,4-7\n"); /* the cache still lists CPU 3 */
    tree_file(root, "sys/devices/system/cpu/offline", "3,8-511\n");
    cpu_file(root, 3, "online", "0\n");
    t = load(root);
    assert_int_equal(t->cpu_count, 7);
    assert_int_equal(t->group_count, 2);
    assert_int_equal(t->group[0].cpu_count, 3);
    assert_int_equal(t->offline_count, 1);
    assert_int_equal(t->not_allowed_count, 0);
    hf_topology_free(t);
    tree_free(root);
}

static void test_hostile_trees(void **state)
{
    static const char *const broken[] = {"sys/devices/system/cpu/online",
                                         "sys/devices/system/cpu/possible",
                                         "sys/devices/system/cpu/cpu1/topology/core_cpus",
                                         "sys/devices/system/cpu/cpu1/topology/core_id",
                                         "sys/devices/system/cpu/cpu1/cache/index3/shared_cpu_map",
                                         "sys/devices/system/cpu/cpu1/cache/index3/size",
                                         "sys/devices/system/cpu/cpu1/cache/index3/level",
                                         "proc/self/cpuset",
                                         "proc/mounts",
                                         "proc/cpuinfo"};
    size_t big = 1 << 20;
    char *line = malloc(big);

    (void)state;
    assert_non_null(line);
    memset(line, 'f', big);
    for (size_t file = 0; file < sizeof broken / sizeof broken[0]; file++) {
        char *root = tree_new();
        char full[PATH_MAX];

        add_cpus(root, 4);
        for (int cpu = 0; cpu < 4; cpu++)
            add_cache(root, cpu, 3, 3, "8192K\n", 0, 3);
        tree_path(full, root, broken[file]);
        for (int how = 0; how < 5; how++) {
            struct hf_error error = {0};
            struct hf_topology *t = NULL;

            (void)remove(full);
            if (how == 0)
                tree_folder(root, broken[file]);
            else if (how == 1)
                tree_file(root, broken[file], "");
            else if (how == 2)
                tree_file(root, broken[file], "0");
            else if (how == 3)
                tree_bytes(root, broken[file], line, big);
            else
                tree_link(root, broken[file], "/nonexistent/there");
            /* either a topology that is whole, or a refusal with words; never a crash, never this machine */
            if (hf_topology_new(root, &t, &error) == HF_OK) {
                check_whole(t);
                assert_int_equal(t->is_this_system, 0);
                hf_topology_free(t);
            } else {
                assert_true(error.message[0] != '\0');
            }
        }
        tree_free(root);
    }
    free(line);
}

/* --- recorded machines ------------------------------------------------------------------------------- */

static char *unpack(const char *name)
{
    char archive[PATH_MAX];
    char command[2 * PATH_MAX];
    char *root;

    snprintf(archive, sizeof archive, "%s/../shared/data/topologies/%s.tar.bz2", HOLDFAST_SOURCE_DIR, name);
    if (access(archive, R_OK) != 0) {
        print_message("skipped: the recording %s is not here\n", archive);
        return NULL;
    }
    root = tree_new();
    snprintf(command, sizeof command, "tar -xjf '%s' -C '%s' --strip-components=1 2>/dev/null", archive,
             root);
    if (system(command) != 0) {
        print_message("skipped: tar or bzip2 cannot unpack %s\n", archive);
        tree_free(root);
        return NULL;
    }
    return root;
}

static void test_recorded_64_cpus(void **state)
{
    char *top = unpack("64amd64-4p2n4ca2co");
    char root[PATH_MAX];
    struct hf_topology *t;

    (void)state;
    if (top == NULL)
        skip();
    expect_refused(top, HF_E_INPUT, "subfolder fsroot");
    snprintf(root, sizeof root, "%s/fsroot", top);
    t = load(root);
    assert_int_equal(t->cpu_count, 64);
    assert_int_equal(t->group_count, 8);
    assert_int_equal(t->package_count, 4);
    assert_int_equal(t->numa_count, 8);
    for (int g = 0; g < 8; g++)
        assert_int_equal(t->group[g].cpu_count, 8);
    hf_topology_free(t);
    /* the same through hwloc's own variables */
    setenv("HWLOC_FSROOT", root, 1);
    setenv("HWLOC_COMPONENTS", "linux,stop", 1);
    t = load(NULL);
    assert_int_equal(t->group_count, 8);
    assert_int_equal(t->is_this_system, 0);
    hf_topology_free(t);
    tree_free(top);
}

static void test_recorded_two_kinds_of_core(void **state)
{
    char *root = unpack("20em64t-hybrid-1p6c2t+2ca4co1t");
    struct hf_topology *t;

    (void)state;
    if (root == NULL)
        skip();
    t = load(root);
    assert_int_equal(t->group_count, 1);
    assert_int_equal(t->cpu_count, 20);
    assert_int_equal(t->group[0].core_count, 14); /* 6 cores with two threads, 8 with one */
    assert_int_equal(t->smt, 1);
    assert_non_null(strstr(t->notes, "asymmetric: it has 2 kinds of core"));
    hf_topology_free(t);
    tree_free(root);
}

static void test_recorded_offline(void **state)
{
    char *root = unpack("16em64t-4s2c2t-offlines");
    struct hf_topology *t;

    (void)state;
    if (root == NULL)
        skip();
    t = load(root);
    assert_int_equal(t->cpu_count, 12);
    assert_int_equal(t->offline_count, 4);
    assert_int_equal(t->group_count, 4);
    hf_topology_free(t);
    tree_free(root);
}

static void test_recorded_cgroup(void **state)
{
    char *root = unpack("32amd64-4s2n4c-cgroup2");
    struct hf_topology *t;

    (void)state;
    if (root == NULL)
        skip();
    t = load(root);
    assert_int_equal(t->cpu_count, 6);
    assert_int_equal(t->not_allowed_count, 26);
    assert_int_equal(t->offline_count, 0); /* 32-47 are possible, not present */
    assert_non_null(strstr(t->notes, "level-3 caches have no usable CPU and were dropped"));
    assert_int_equal(t->group_count, 2); /* the recording's shared_cpu_list of index3: 0-3 and 4-7 */
    assert_int_equal(t->group[0].cpu_count, 4);
    assert_int_equal(t->group[1].cpu_count, 2);
    hf_topology_free(t);
    tree_free(root);
}

static void test_recorded_without_caches(void **state)
{
    char *root = unpack("2arm-2c");
    struct hf_topology *t;

    (void)state;
    if (root == NULL)
        skip();
    t = load(root);
    assert_int_equal(t->cpu_count, 2);
    assert_int_equal(t->group_count, 1);
    assert_string_equal(t->group[0].source, "package (no cache information)");
    hf_topology_free(t);
    tree_free(root);
}

/* --- what must be refused ---------------------------------------------------------------------------- */

static void test_missing_paths(void **state)
{
    char *root = tree_new();
    char path[PATH_MAX];

    (void)state;
    expect_refused("/nonexistent/there", HF_E_NOT_FOUND, "--root names /nonexistent/there");
    expect_refused(root, HF_E_INPUT, "holds no sys/devices/system/cpu");
    tree_file(root, "file", "x");
    snprintf(path, sizeof path, "%s/file", root);
    expect_refused(path, HF_E_NOT_FOUND, "not a folder");
    setenv("HWLOC_FSROOT", "/nonexistent/there", 1);
    expect_refused(NULL, HF_E_NOT_FOUND, "HWLOC_FSROOT names /nonexistent/there");
    setenv("HWLOC_THISSYSTEM", "1", 1);
    expect_refused(NULL, HF_E_NOT_FOUND, "HWLOC_FSROOT");
    unsetenv("HWLOC_FSROOT");
    setenv("HWLOC_XMLFILE", "/nonexistent/there.xml", 1);
    expect_refused(NULL, HF_E_NOT_FOUND, "HWLOC_XMLFILE names /nonexistent/there.xml");
    setenv("HWLOC_XMLFILE", root, 1);
    expect_refused(NULL, HF_E_INPUT, "not a regular file");
    unsetenv("HWLOC_XMLFILE");
    setenv("HWLOC_CPUID_PATH", "/nonexistent/there", 1);
    expect_refused(NULL, HF_E_NOT_FOUND, "HWLOC_CPUID_PATH");
    unsetenv("HWLOC_CPUID_PATH");
    setenv("HWLOC_SYNTHETIC", "nonsense:7", 1);
    expect_refused(NULL, HF_E_INPUT, "describes no topology");
    tree_free(root);
}

static void test_damaged_xml(void **state)
{
    static const char *const documents[] = {
        "", "no markup at all", "<?xml version=\"1.0\"?><topology version=\"2.0\"><object type=\"Machine\"",
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<!DOCTYPE topology SYSTEM \"hwloc2.dtd\">\n"
        "<topology version=\"3.0\">\n<object type=\"Machine\" os_index=\"0\" "
        "cpuset=\"0x1\"/>\n</topology>\n"};
    char *root = tree_new();
    char path[PATH_MAX];

    (void)state;
    snprintf(path, sizeof path, "%s/machine.xml", root);
    for (size_t i = 0; i < sizeof documents / sizeof documents[0]; i++) {
        tree_file(root, "machine.xml", documents[i]);
        setenv("HWLOC_XMLFILE", path, 1);
        expect_refused(NULL, HF_E_INPUT, path);
    }
    tree_free(root);
}

static void test_xml_is_honoured(void **state)
{
    char *root = tree_new();
    char path[PATH_MAX];
    hwloc_topology_t hwloc;
    struct hf_topology *t;

    (void)state;
    snprintf(path, sizeof path, "%s/machine.xml", root);
    assert_int_equal(hwloc_topology_init(&hwloc), 0);
    assert_int_equal(hwloc_topology_set_synthetic(hwloc, "pack:1 l3:3 core:2 pu:2"), 0);
    assert_int_equal(hwloc_topology_load(hwloc), 0);
    assert_int_equal(hwloc_topology_export_xml(hwloc, path, 0), 0);
    hwloc_topology_destroy(hwloc);
    setenv("HWLOC_XMLFILE", path, 1);
    setenv("HWLOC_THISSYSTEM", "1", 1); /* a recorded machine never becomes this one */
    t = load(NULL);
    assert_int_equal(t->group_count, 3);
    assert_int_equal(t->group[2].cpu_count, 4);
    assert_int_equal(t->is_this_system, 0);
    assert_non_null(strstr(t->notes, "not the machine that holdfast runs on (HWLOC_XMLFILE)"));
    hf_topology_free(t);
    assert_string_equal(getenv("HWLOC_XMLFILE"), path); /* put back */
    assert_string_equal(getenv("HWLOC_THISSYSTEM"), "1");
    assert_null(getenv("HWLOC_HIDE_ERRORS"));
    tree_free(root);
}

static void test_argument_wins(void **state)
{
    char *root = tree_new();
    struct hf_topology *t;

    (void)state;
    add_cpus(root, 4);
    for (int cpu = 0; cpu < 4; cpu++)
        add_cache(root, cpu, 3, 3, "8192K\n", 0, 3);
    setenv("HWLOC_SYNTHETIC", "pack:1 l3:5 core:1 pu:1", 1);
    setenv("HWLOC_COMPONENTS", "x86,stop", 1);
    t = load(root);
    assert_int_equal(t->group_count, 1);
    assert_int_equal(t->cpu_count, 4);
    hf_topology_free(t);
    assert_string_equal(getenv("HWLOC_COMPONENTS"), "x86,stop");
    assert_null(getenv("HWLOC_FSROOT"));
    setenv("HWLOC_FSROOT", "", 1); /* empty counts as unset */
    t = load(NULL);
    assert_int_equal(t->group_count, 5);
    hf_topology_free(t);
    tree_free(root);
}

/* --- this machine ------------------------------------------------------------------------------------ */

static void test_live(void **state)
{
    cpu_set_t before;
    cpu_set_t after;
    cpu_set_t one;
    struct hf_topology *t;
    int first;

    (void)state;
    assert_int_equal(sched_getaffinity(0, sizeof before, &before), 0);
    t = load(NULL);
    assert_int_equal(t->is_this_system, 1);
    assert_true(t->cpu_count >= 1 && t->cpu_count <= CPU_COUNT(&before));
    for (int i = 0; i < t->cpu_count; i++)
        assert_true(CPU_ISSET((size_t)t->cpu[i], &before));
    print_message("live: %d groups, %d CPUs; %s\n", t->group_count, t->cpu_count, t->notes);
    first = t->cpu[t->cpu_count - 1];
    assert_int_equal(sched_getaffinity(0, sizeof after, &after), 0);
    assert_true(CPU_EQUAL(&before, &after)); /* the discovery did not move this thread */
    hf_topology_free(t);
    t = load("/"); /* the root of this machine is this machine */
    assert_int_equal(t->is_this_system, 1);
    hf_topology_free(t);
    /* a narrower affinity narrows what is usable */
    CPU_ZERO(&one);
    CPU_SET((size_t)first, &one);
    assert_int_equal(sched_setaffinity(0, sizeof one, &one), 0);
    t = load(NULL);
    assert_int_equal(t->cpu_count, 1);
    assert_int_equal(t->cpu[0], first);
    assert_true(t->not_allowed_count >= CPU_COUNT(&before) - 1);
    hf_topology_free(t);
    assert_int_equal(sched_setaffinity(0, sizeof before, &before), 0);
}

#define T(name) cmocka_unit_test_setup_teardown(name, clean_environment, clean_environment)

int main(void)
{
    const struct CMUnitTest tests[] = {
        T(test_24_groups_of_16),
        T(test_interleaved_numbers),
        T(test_numbers_backwards),
        T(test_level_2_only),
        T(test_level_4_beside_memory),
        T(test_4_way_threads),
        T(test_one_cpu),
        T(test_no_cache_information),
        T(test_doubtful_cache),
        T(test_limits),
        T(test_128_cpus_in_time),
        T(test_unequal_groups),
        T(test_cores_outside_any_cache),
        T(test_offline_cpu_in_a_stale_list),
        T(test_hostile_trees),
        T(test_recorded_64_cpus),
        T(test_recorded_two_kinds_of_core),
        T(test_recorded_offline),
        T(test_recorded_cgroup),
        T(test_recorded_without_caches),
        T(test_missing_paths),
        T(test_damaged_xml),
        T(test_xml_is_honoured),
        T(test_argument_wins),
        T(test_live),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
