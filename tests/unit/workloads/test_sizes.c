/* Sizes of the memory kernels' arenas: what the caches are, from recorded folders, and the rule. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "workloads/sizes.h"

#define KIB UINT64_C(1024)
#define MIB (KIB * 1024)
#define GIB (MIB * 1024)

static char root[64];

static void put(const char *path, const char *text)
{
    char full[512];
    FILE *file;

    (void)snprintf(full, sizeof full, "%s%s", root, path);
    for (char *slash = strchr(full + strlen(root) + 1, '/'); slash != NULL; slash = strchr(slash + 1, '/')) {
        *slash = '\0';
        (void)mkdir(full, 0700);
        *slash = '/';
    }
    file = fopen(full, "w");
    assert_non_null(file);
    assert_true(fputs(text, file) >= 0);
    assert_int_equal(fclose(file), 0);
}

static void put_cache(int index, const char *level, const char *type, const char *size, const char *list)
{
    static const char *const names[] = {"level", "type", "size", "shared_cpu_list"};
    const char *const texts[] = {level, type, size, list};

    for (int i = 0; i < 4; i++) {
        char path[128];

        (void)snprintf(path, sizeof path, "/sys/devices/system/cpu/cpu3/cache/index%d/%s", index, names[i]);
        put(path, texts[i]);
    }
}

static int set_up(void **unused)
{
    (void)unused;
    (void)snprintf(root, sizeof root, "/tmp/holdfast-sizes-XXXXXX");
    assert_non_null(mkdtemp(root));
    return 0;
}

static int tear_down(void **unused)
{
    char command[128];

    (void)unused;
    (void)snprintf(command, sizeof command, "rm -rf %s", root);
    return system(command);
}

static struct hf_sizes found(int workers)
{
    struct hf_error error = {0};
    struct hf_sizes sizes;

    assert_int_equal(hf_sizes_find(root, 3, workers, &sizes, &error), HF_OK);
    assert_true(hf_sizes_are_valid(&sizes));
    return sizes;
}

static void put_workstation(void)
{
    put_cache(0, "1\n", "Data\n", "32K\n", "3\n");
    put_cache(1, "1\n", "Instruction\n", "64K\n", "3\n");
    put_cache(2, "2\n", "Unified\n", "512K\n", "3\n");
    put_cache(3, "3\n", "Unified\n", "16384K\n", "0-3,8-11\n");
    put("/proc/meminfo", "MemTotal: 67108864 kB\nMemFree: 1 kB\nMemAvailable:   62914560 kB\n");
}

static void test_found(void **unused)
{
    struct hf_sizes sizes;

    (void)unused;
    put_workstation();
    sizes = found(16);
    assert_int_equal(sizes.source, HF_SIZES_FOUND);
    assert_true(sizes.cache_bytes[1] == 32 * KIB && sizes.cache_bytes[2] == 512 * KIB);
    assert_true(sizes.cache_bytes[3] == 16 * MIB);
    assert_int_equal(sizes.cache_sharers[3], 8);
    assert_true(sizes.arena_bytes[1] == 16 * KIB);  /* three quarters of 32 K hold 16 */
    assert_true(sizes.arena_bytes[2] == 256 * KIB); /* of 512 K */
    assert_true(sizes.arena_bytes[3] == 1 * MIB);   /* of a share of 2 M: twice what level 2 holds */
    assert_true(sizes.arena_bytes[4] == 8 * MIB);   /* four shares: all together four times the cache */
    assert_false(sizes.memory_short);
    assert_true(found(1).arena_bytes[3] == 8 * MIB &&
                found(1).arena_bytes[4] == 64 * MIB); /* nobody to share with */
}

static void test_nothing_told(void **unused)
{
    struct hf_sizes sizes = found(2);

    (void)unused;
    assert_int_equal(sizes.source, HF_SIZES_ASSUMED);
    for (int level = 1; level < HF_LEVELS; level++)
        assert_true(level == 1 || sizes.arena_bytes[level] > sizes.arena_bytes[level - 1]);
}

static void test_no_third_level(void **unused)
{
    struct hf_sizes sizes;

    (void)unused;
    put_cache(0, "1\n", "Data\n", "64K\n", "3\n");
    put_cache(1, "2\n", "Unified\n", "2M\n", "2-3\n");
    sizes = found(4);
    assert_int_equal(sizes.source, HF_SIZES_FOUND);
    assert_true(sizes.cache_bytes[3] == 0 && sizes.cache_bytes[2] == 2 * MIB);
    assert_true(sizes.arena_bytes[2] == 512 * KIB);
    assert_true(sizes.arena_bytes[3] >= 2 * sizes.cache_bytes[2]); /* beyond what there is: memory, in part */
}

static void test_nonsense(void **unused)
{
    struct hf_sizes sizes;

    (void)unused;
    put_cache(0, "1\n", "Data\n", "lots\n", "none\n");
    put_cache(1, "9\n", "Unified\n", "1K\n", "3\n");
    put_cache(2, "2\n", "Unified\n", "99999999999999999999K\n", "9-3\n");
    put("/proc/meminfo", "MemAvailable: what\n");
    sizes = found(2);
    assert_int_equal(sizes.source, HF_SIZES_ASSUMED);
}

/* Memory that is short: less of it, said; or refused in words. */
static void test_memory_short(void **unused)
{
    struct hf_error error = {0};
    struct hf_sizes sizes;

    (void)unused;
    put_workstation();
    put("/proc/meminfo",
        "MemAvailable: 262144 kB\n"); /* 256 MiB, a quarter of it for 16 arenas: 4 MiB each */
    sizes = found(16);
    assert_true(sizes.arena_bytes[4] == 4 * MIB);
    assert_true(sizes.memory_short);
    put("/proc/meminfo", "MemAvailable: 8192 kB\n");
    assert_int_equal(hf_sizes_find(root, 3, 16, &sizes, &error), HF_E_MEMORY);
    assert_non_null(strstr(error.message, "8 MiB"));
    assert_non_null(strstr(error.message, "16 workers"));
}

/* Whatever is found, arenas are powers of two, in order, within the budget. */
static void test_rule(void **unused)
{
    (void)unused;
    for (uint64_t l1 = 16 * KIB; l1 <= 192 * KIB; l1 += 16 * KIB) {
        for (uint64_t l2 = 128 * KIB; l2 <= 4 * MIB; l2 *= 2) {
            for (uint64_t l3 = 0; l3 <= 1 * GIB; l3 = l3 == 0 ? 2 * MIB : l3 * 4) {
                for (uint32_t sharers = 1; sharers <= 64; sharers *= 4) {
                    struct hf_sizes sizes = {.cache_bytes = {0, l1, l2, l3},
                                             .cache_sharers = {0, 1, 1, sharers}};

                    hf_sizes_choose(&sizes, 64, 64 * MIB);
                    assert_true(hf_sizes_are_valid(&sizes));
                    assert_true(sizes.arena_bytes[1] <= l1);
                    assert_true(sizes.arena_bytes[2] <= l2 || sizes.arena_bytes[2] < 4 * l1);
                    assert_true(sizes.arena_bytes[4] <= 64 * MIB);
                    assert_true(sizes.memory_short || sizes.arena_bytes[4] >= 4 * (l3 / sharers));
                }
            }
        }
    }
}

static void test_set(void **unused)
{
    struct hf_sizes sizes;

    (void)unused;
    assert_int_equal(hf_sizes_get()->source, HF_SIZES_SMALL);
    hf_sizes_small(&sizes);
    sizes.arena_bytes[2] *= 2;
    sizes.source = HF_SIZES_GIVEN;
    hf_sizes_set(&sizes);
    assert_int_equal(hf_sizes_get()->source, HF_SIZES_GIVEN);
    assert_true(hf_sizes_get()->arena_bytes[2] == sizes.arena_bytes[2]);
    sizes.arena_bytes[3] += 8;
    assert_false(hf_sizes_are_valid(&sizes));
    sizes.arena_bytes[3] = 8 * KIB;
    assert_false(hf_sizes_are_valid(&sizes));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_found, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_nothing_told, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_no_third_level, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_nonsense, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_memory_short, set_up, tear_down),
        cmocka_unit_test(test_rule),
        cmocka_unit_test(test_set),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
