/* Recordings: what is copied, what never is, and that a recording shows the same machine. With
 * HOLDFAST_RECORDINGS set to a folder of unpacked recordings, those are recorded again and compared as well.
 */
#include "tree.h"

#include <math.h>
#include <time.h>

#include "holdfast/hardware_errors.h"
#include "holdfast/recording.h"
#include "holdfast/sensors.h"
#include "holdfast/text.h"
#include "holdfast/topology.h"
#include "holdfast/true_clock.h"

#define SECRET "SECRET-4711"

static void cpu_file(const char *root, int cpu, const char *name, const char *format, int value)
{
    char path[128];
    char text[64];

    snprintf(path, sizeof path, "sys/devices/system/cpu/cpu%d/%s", cpu, name);
    snprintf(text, sizeof text, format, value);
    tree_file(root, path, text);
}

/* A mask of 128 CPUs as the kernel writes it: words of 32 bits, the highest first. */
static void cpu_map(const char *root, int cpu, const char *name, int first, int last)
{
    unsigned words[4] = {0};
    char path[128];
    char text[64];

    for (int bit = first; bit <= last; bit++)
        words[bit / 32] |= 1u << bit % 32;
    snprintf(path, sizeof path, "sys/devices/system/cpu/cpu%d/%s", cpu, name);
    snprintf(text, sizeof text, "%08x,%08x,%08x,%08x\n", words[3], words[2], words[1], words[0]);
    tree_file(root, path, text);
}

/* `count` CPUs in groups of 8 that share a level-3 cache, with sensors, policies and counters; secrets all
 * about. */
static void make_machine(const char *root, int count)
{
    char text[64];
    char path[128];
    FILE *cpuinfo;
    char full[PATH_MAX];

    snprintf(text, sizeof text, "0-%d\n", count - 1);
    tree_file(root, "sys/devices/system/cpu/possible", text);
    tree_file(root, "sys/devices/system/cpu/present", text);
    tree_file(root, "sys/devices/system/cpu/online", text);
    tree_file(root, "sys/devices/system/cpu/offline", "\n");
    tree_path(full, root, "proc/cpuinfo");
    cpuinfo = fopen(full, "w");
    assert_non_null(cpuinfo);
    for (int cpu = 0; cpu < count; cpu++) {
        fprintf(cpuinfo,
                "processor\t: %d\nvendor_id\t: InventedMaker\ncpu family\t: 23\nmodel\t\t: 49\nmodel name\t: "
                "Heron Test "
                "Processor\napicid\t\t: %d\nflags\t\t: fpu constant_tsc nonstop_tsc\nSerial\t\t: " SECRET
                "\n\n",
                cpu, cpu);
        cpu_file(root, cpu, "topology/physical_package_id", "%d\n", 0);
        cpu_file(root, cpu, "topology/core_id", "%d\n", cpu);
        cpu_map(root, cpu, "topology/core_cpus", cpu, cpu);
        cpu_map(root, cpu, "topology/thread_siblings", cpu, cpu);
        cpu_map(root, cpu, "topology/package_cpus", 0, count - 1);
        cpu_map(root, cpu, "topology/core_siblings", 0, count - 1);
        cpu_map(root, cpu, "cache/index3/shared_cpu_map", cpu / 8 * 8, cpu / 8 * 8 + 7);
        snprintf(path, sizeof path, "sys/devices/system/cpu/cpu%d/cache/index3/type", cpu);
        tree_file(root, path, "Unified\n");
        cpu_file(root, cpu, "cache/index3/level", "%d\n", 3);
        cpu_file(root, cpu, "cache/index3/size", "%dK\n", 16384);
        snprintf(path, sizeof path, "sys/devices/system/cpu/cpu%d/topology/ppin", cpu);
        tree_file(root, path, SECRET "\n");
        snprintf(path, sizeof path, "sys/devices/system/cpu/cpufreq/policy%d/cpuinfo_max_freq", cpu);
        tree_file(root, path, "4200000\n");
        snprintf(path, sizeof path, "sys/devices/system/cpu/cpufreq/policy%d/scaling_driver", cpu);
        tree_file(root, path, "acpi-cpufreq\n");
        snprintf(path, sizeof path, "sys/class/hwmon/hwmon2/temp%d_input", cpu + 2);
        tree_file(root, path, "45000\n");
        snprintf(path, sizeof path, "sys/class/hwmon/hwmon2/temp%d_label", cpu + 2);
        snprintf(text, sizeof text, "Core %d\n", cpu);
        tree_file(root, path, text);
    }
    assert_int_equal(fclose(cpuinfo), 0);
    tree_file(root, "sys/class/hwmon/hwmon2/name", "coretemp\n");
    tree_link(root, "sys/class/hwmon/hwmon2/device", "../../../devices/" SECRET "/coretemp.0");
    tree_file(root, "sys/class/hwmon/hwmon2/serial", SECRET "\n");
    tree_file(root, "sys/class/powercap/intel-rapl:0/name", "package-0\n");
    tree_file(root, "sys/class/powercap/intel-rapl:0/energy_uj", "5\n");
    tree_file(root, "sys/devices/system/edac/mc/mc0/ce_count", "3\n");
    tree_file(root, "sys/devices/system/edac/mc/mc0/dimm0/dimm_ce_count", "3\n");
    tree_file(root, "sys/devices/system/machinecheck/machinecheck0/check_interval", "300\n");
    tree_file(root, "sys/devices/system/machinecheck/machinecheck0/bank0", "ff\n");
    tree_file(root, "sys/class/dmi/id/bios_version", "1.2\n");
    tree_file(root, "sys/class/dmi/id/product_serial", SECRET "\n");
    tree_file(root, "sys/class/dmi/id/board_serial", SECRET "\n");
    tree_file(root, "sys/class/dmi/id/product_uuid", SECRET "\n");
    tree_file(root, "sys/class/dmi/id/chassis_asset_tag", SECRET "\n");
    tree_file(root, "sys/class/net/eth0/address", SECRET "\n");
    tree_file(root, "proc/cmdline", "root=UUID=" SECRET "\n");
    tree_file(root, "proc/version", "Linux version 6.1 (" SECRET "@builder)\n");
    tree_file(root, "proc/sys/kernel/hostname", SECRET "\n");
    tree_file(root, "proc/sys/kernel/osrelease", "6.1.0-heron\n");
    tree_file(root, "proc/sys/kernel/random/boot_id", SECRET "\n");
    tree_file(root, "proc/meminfo", "MemTotal:  16384 kB\nOther: " SECRET "\n");
    tree_file(root, "proc/interrupts", "     CPU0\n 33: 5 " SECRET "-eth0\nMCP:  7 Machine check polls\n");
    tree_file(root, "proc/mounts", "/dev/" SECRET " / ext4 rw 0 0\nnone /cg cgroup2 rw 0 0\n");
    tree_file(root, "proc/self/cpuset", "/user-" SECRET "/job\n");
    tree_file(root, "cg/cgroup.controllers", "cpuset\n");
    tree_file(root, "cg/user-" SECRET "/job/cpuset.cpus.effective", "0-6,8-1023\n");
    tree_file(root, "cg/user-" SECRET "/job/cpuset.mems.effective", "0\n");
    tree_file(root, "proc/stat", "cpu  1 2 3 4 5\ncpu0 1 2 3 4 5\nintr " SECRET "\n");
}

static int secrets;
static int secrets_are_news;
static int files;

static int look_for_secrets(const char *path, const struct stat *status, int type, struct FTW *walk)
{
    char bytes[65536];
    ssize_t got;

    (void)status;
    (void)walk;
    if (type == FTW_SL) {
        got = readlink(path, bytes, sizeof bytes);
    } else if (type == FTW_F) {
        FILE *file = fopen(path, "r");

        assert_non_null(file);
        got = (ssize_t)fread(bytes, 1, sizeof bytes, file);
        (void)fclose(file);
    } else {
        return 0;
    }
    files++;
    if (got > 0 && memmem(bytes, (size_t)got, SECRET, strlen(SECRET)) != NULL) {
        if (secrets_are_news)
            print_message("a secret in %s\n", path);
        secrets++;
    }
    return 0;
}

struct seen {
    int groups, cpus, sensors, good, memory, policies;
    char first_key[HF_SENSOR_KEY_MAX];
    int64_t interval;
    struct hf_machine_facts facts;
};

static void look(const char *root, struct seen *ret_seen)
{
    struct hf_topology *topology = NULL;
    struct hf_error error = {0};
    struct hf_error_polling polling;
    struct hf_memory_count counts[8];
    struct hf_sensors *set = NULL;
    struct hf_reading *readings = calloc(HF_SENSORS_MAX, sizeof *readings);
    struct hf_host host;
    int numbers[1024];

    memset(ret_seen, 0, sizeof *ret_seen);
    if (hf_topology_new(root, &topology, &error) != HF_OK)
        fail_msg("%s", error.message);
    ret_seen->groups = topology->group_count;
    ret_seen->cpus = topology->cpu_count;
    hf_topology_free(topology);
    hf_machine_facts_read(root, &ret_seen->facts);
    assert_int_equal(hf_host_open(root, &host, &error), HF_OK);
    assert_int_equal(hf_sensors_new(&host, &set, &error), HF_OK);
    ret_seen->sensors = hf_sensors_count(set);
    ret_seen->good = hf_sensors_read(set, 0, INT64_MAX, readings);
    if (ret_seen->sensors > 0)
        snprintf(ret_seen->first_key, sizeof ret_seen->first_key, "%s", hf_sensors_at(set, 0)->key);
    hf_sensors_free(set);
    hf_polling_read(&host, &polling);
    ret_seen->interval = polling.check_interval_s;
    ret_seen->memory = hf_memory_counts_read(&host, counts, 8);
    ret_seen->policies = hf_host_numbers(&host, "/sys/devices/system/cpu/cpufreq", "policy", numbers, 1024);
    hf_host_close(&host);
    free(readings);
}

static void assert_same(const struct seen *a, const struct seen *b)
{
    assert_int_equal(a->groups, b->groups);
    assert_int_equal(a->cpus, b->cpus);
    assert_int_equal(a->sensors, b->sensors);
    assert_int_equal(a->good, b->good);
    assert_int_equal(a->memory, b->memory);
    assert_true(a->policies == b->policies || (a->policies <= 0 && b->policies <= 0));
    assert_string_equal(a->first_key, b->first_key);
    assert_true(a->interval == b->interval);
    assert_string_equal(a->facts.cpu_model, b->facts.cpu_model);
    assert_string_equal(a->facts.microcode, b->facts.microcode);
    assert_string_equal(a->facts.governor, b->facts.governor);
    assert_string_equal(a->facts.firmware_version, b->facts.firmware_version);
    assert_string_equal(a->facts.smt, b->facts.smt);
    assert_int_equal(a->facts.virtual_machine, b->facts.virtual_machine);
    assert_true(a->facts.memory_bytes == b->facts.memory_bytes);
}

static void record_and_compare(const char *root, struct hf_recording_totals *ret_totals)
{
    char *made = tree_new();
    struct hf_host host;
    struct hf_error error = {0};
    struct seen before, after;

    assert_int_equal(hf_host_open(root, &host, &error), HF_OK);
    if (hf_recording_save(&host, made, ret_totals, &error) != HF_OK)
        fail_msg("%s", error.message);
    hf_host_close(&host);
    look(root, &before);
    look(made, &after);
    assert_same(&before, &after);
    secrets = files = 0;
    secrets_are_news = 1;
    (void)nftw(made, look_for_secrets, 16, FTW_PHYS);
    assert_int_equal(secrets, 0);
    assert_int_equal(files, ret_totals->files + ret_totals->links);
    tree_free(made);
}

static void test_same_machine_without_secrets(void **state)
{
    char *root = tree_new();
    struct hf_recording_totals totals;
    struct seen seen;

    (void)state;
    make_machine(root, 16);
    look(root, &seen);
    assert_int_equal(seen.groups, 2);
    assert_int_equal(seen.cpus, 15); /* the cgroup forbids one */
    assert_int_equal(seen.sensors, 17);
    assert_string_equal(seen.facts.kernel, "6.1.0-heron");
    secrets = secrets_are_news = 0;
    (void)nftw(root, look_for_secrets, 16, FTW_PHYS);
    assert_true(secrets >= 30); /* they are there, and the search finds them */
    record_and_compare(root, &totals);
    assert_true(totals.files > 150 && totals.links == 1);
    tree_free(root);
}

static void test_refusals(void **state)
{
    char *root = tree_new();
    char *made = tree_new();
    struct hf_recording_totals totals = {77, 0, 0};
    struct hf_host host;
    struct hf_error error = {0};

    (void)state;
    make_machine(root, 8);
    assert_int_equal(hf_host_open(root, &host, &error), HF_OK);
    tree_file(made, "precious", "data");
    assert_int_equal(hf_recording_save(&host, made, &totals, &error), HF_E_REFUSED);
    error = (struct hf_error){0};
    assert_int_equal(hf_recording_save(&host, "/proc/holdfast", &totals, &error) < 0, 1);
    error = (struct hf_error){0};
    assert_int_equal(hf_recording_save(&host, "/dev/null", &totals, &error), HF_E_REFUSED);
    assert_int_equal(totals.files, 77);
    hf_host_close(&host);
    tree_free(made);
    tree_free(root);
}

/* Folders for files, loops, bytes that are no text, a line of 1 MB: copied or passed over, never fatal. */
static void test_hostile_machine(void **state)
{
    char *root = tree_new();
    char *million = malloc(1000000);
    struct hf_recording_totals totals;

    (void)state;
    assert_non_null(million);
    memset(million, 'x', 1000000);
    make_machine(root, 8);
    tree_folder(root, "sys/devices/system/cpu/isolated/");
    tree_link(root, "sys/devices/system/cpu/smt", "smt");
    tree_link(root, "sys/class/hwmon/hwmon5", "../hwmon");
    tree_link(root, "sys/class/hwmon/hwmon6", "/");
    tree_bytes(root, "sys/class/thermal/thermal_zone0/type", million, 1000000);
    tree_bytes(root, "sys/class/thermal/thermal_zone1/type", "\xff\xfe", 2);
    tree_file(root, "sys/class/thermal/thermal_zone1/temp", "44000");
    record_and_compare(root, &totals);
    free(million);
    tree_free(root);
}

/* All that a survey reads of 128 CPUs, in at most 1 s. */
static void test_speed(void **state)
{
    char *root = tree_new();
    struct timespec begin, end;
    struct seen seen;
    double seconds;

    (void)state;
    make_machine(root, 128);
    (void)clock_gettime(CLOCK_MONOTONIC, &begin);
    look(root, &seen);
    (void)clock_gettime(CLOCK_MONOTONIC, &end);
    seconds = (double)(end.tv_sec - begin.tv_sec) + (double)(end.tv_nsec - begin.tv_nsec) * 1e-9;
    assert_int_equal(seen.cpus, 127);
    assert_int_equal(seen.groups, 16);
    assert_int_equal(seen.good, 129);
    print_message("all of 128 CPUs read in %.0f ms\n", seconds * 1e3);
#ifndef HOLDFAST_SANITIZED
    assert_true(seconds < 1);
#endif
    tree_free(root);
}

/* Unpacked recordings of real machines, where somebody has them. */
static void test_recordings_of_real_machines(void **state)
{
    const char *folder = getenv("HOLDFAST_RECORDINGS");
    struct dirent *entry;
    int count = 0;
    DIR *list;

    (void)state;
    if (folder == NULL || folder[0] == '\0') {
        print_message("skipped: HOLDFAST_RECORDINGS names no folder\n");
        skip();
    }
    list = opendir(folder);
    assert_non_null(list);
    while ((entry = readdir(list)) != NULL) {
        struct hf_recording_totals totals;
        char root[PATH_MAX];
        struct stat status;

        if (entry->d_name[0] == '.')
            continue;
        snprintf(root, sizeof root, "%s/%s/fsroot", folder, entry->d_name);
        if (stat(root, &status) != 0)
            snprintf(root, sizeof root, "%s/%s", folder, entry->d_name);
        if (stat(root, &status) != 0 || !S_ISDIR(status.st_mode))
            continue;
        record_and_compare(root, &totals);
        print_message("%s: %d files\n", entry->d_name, totals.files);
        count++;
    }
    (void)closedir(list);
    assert_true(count > 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_same_machine_without_secrets),
        cmocka_unit_test(test_refusals),
        cmocka_unit_test(test_hostile_machine),
        cmocka_unit_test(test_speed),
        cmocka_unit_test(test_recordings_of_real_machines),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
