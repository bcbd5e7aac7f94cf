/* Sensors: finding them in hand-made trees, roles, and a scripted machine whose sensors misbehave in time.
 * The files and units are those of the kernel's documentation (hwmon sysfs interface, thermal sysfs,
 * powercap); the machine is our own. */
#include "scripted_host.h"

#include <cjson/cJSON.h>
#include <math.h>
#include <stdatomic.h>
#include <sys/resource.h>
#include <time.h>

#include "holdfast/json.h"
#include "holdfast/sensors.h"
#include "holdfast/text.h"

#define SECOND INT64_C(1000000000)

static struct hf_sensors *find(const struct hf_host *host)
{
    struct hf_sensors *set = NULL;
    struct hf_error error = {0};

    assert_int_equal(hf_sensors_new(host, &set, &error), HF_OK);
    return set;
}

static int index_of(const struct hf_sensors *set, const char *key)
{
    for (int i = 0; i < hf_sensors_count(set); i++) {
        if (strcmp(hf_sensors_at(set, i)->key, key) == 0)
            return i;
    }
    fail_msg("there is no sensor %s", key);
    return -1;
}

/* --- finding ---------------------------------------------------------------------------------------- */

static void make_board(char *root)
{
    tree_file(root, "sys/class/hwmon/hwmon0/name", "acpitz\n"); /* the zone's second appearance */
    tree_link(root, "sys/class/hwmon/hwmon0/device", "../../thermal_zone0");
    tree_file(root, "sys/class/hwmon/hwmon0/temp1_input", "27800\n");
    tree_file(root, "sys/class/hwmon/hwmon3/name", "coretemp\n");
    tree_link(root, "sys/class/hwmon/hwmon3/device", "../../../coretemp.0");
    tree_file(root, "sys/class/hwmon/hwmon3/temp1_input", "55000\n");
    tree_file(root, "sys/class/hwmon/hwmon3/temp1_label", "Package id 0\n");
    tree_file(root, "sys/class/hwmon/hwmon3/temp1_max", "90000\n");
    tree_file(root, "sys/class/hwmon/hwmon3/temp1_crit", "100000\n");
    tree_file(root, "sys/class/hwmon/hwmon3/temp10_input", "52000\n");
    tree_file(root, "sys/class/hwmon/hwmon3/temp10_label", "Core 8\n");
    tree_file(root, "sys/class/hwmon/hwmon3/temp2_input", "51000\n");
    tree_file(root, "sys/class/hwmon/hwmon3/temp2_label", "Core 0\n");
    tree_file(root, "sys/class/hwmon/hwmon4/name", "boardchip\n");
    tree_link(root, "sys/class/hwmon/hwmon4/device", "../../../boardchip.656");
    tree_file(root, "sys/class/hwmon/hwmon4/temp1_input", "38500\n");
    tree_file(root, "sys/class/hwmon/hwmon4/temp1_fault", "0\n");
    tree_file(root, "sys/class/hwmon/hwmon4/in0_input", "1232\n");
    tree_file(root, "sys/class/hwmon/hwmon4/in0_label", "Vcore\n");
    tree_file(root, "sys/class/hwmon/hwmon4/curr1_input", "84500\n");
    tree_file(root, "sys/class/hwmon/hwmon4/power1_average", "104000000\n");
    tree_file(root, "sys/class/hwmon/hwmon4/power2_input", "55000000\n");
    tree_file(root, "sys/class/hwmon/hwmon4/power2_average", "1000000\n");
    tree_file(root, "sys/class/hwmon/hwmon4/fan1_input", "1180\n");
    tree_file(root, "sys/class/hwmon/hwmon4/energy1_input", "5000000\n");
    tree_file(root, "sys/class/hwmon/hwmon4/temp1_max_alarm", "0\n");
    tree_file(root, "sys/class/thermal/thermal_zone0/type", "acpitz\n");
    tree_file(root, "sys/class/thermal/thermal_zone0/temp", "27800\n");
    tree_file(root, "sys/class/thermal/thermal_zone1/type", "x86_pkg_temp\n");
    tree_file(root, "sys/class/thermal/thermal_zone1/temp", "55000\n");
    tree_file(root, "sys/class/powercap/intel-rapl:0/name", "package-0\n");
    tree_file(root, "sys/class/powercap/intel-rapl:0/energy_uj", "1000\n");
    tree_file(root, "sys/class/powercap/intel-rapl:0/max_energy_range_uj", "262143328850\n");
    tree_file(root, "sys/class/powercap/intel-rapl/enabled", "1\n");
    tree_file(root, "sys/devices/system/cpu/cpu0/topology/physical_package_id", "0\n");
    tree_file(root, "sys/devices/system/cpu/cpu0/topology/core_id", "0\n");
    tree_file(root, "sys/devices/system/cpu/cpu1/topology/physical_package_id", "0\n");
    tree_file(root, "sys/devices/system/cpu/cpu1/topology/core_id", "8\n");
}

static void test_finds_all_kinds(void **state)
{
    char *root = tree_new();
    struct hf_reading readings[32];
    struct hf_sensors *set;
    struct hf_error error = {0};
    struct hf_host host;
    int at;

    (void)state;
    make_board(root);
    assert_int_equal(hf_host_open(root, &host, &error), HF_OK);
    set = find(&host);
    assert_int_equal(hf_sensors_count(set), 13);
    assert_string_equal(hf_sensors_at(set, 0)->key, "coretemp@coretemp.0/temp1");
    assert_string_equal(hf_sensors_at(set, 1)->key, "coretemp@coretemp.0/temp2");
    assert_string_equal(hf_sensors_at(set, 2)->key, "coretemp@coretemp.0/temp10");
    assert_true(hf_sensors_at(set, 0)->high == 90 && hf_sensors_at(set, 0)->critical == 100);
    assert_true(isnan(hf_sensors_at(set, 1)->high));
    assert_int_equal(hf_sensors_read(set, 0, INT64_MAX, readings), 13);
    assert_true(readings[index_of(set, "boardchip@boardchip.656/temp1")].value == 38.5);
    at = index_of(set, "boardchip@boardchip.656/in0");
    assert_true(fabs(readings[at].value - 1.232) < 1e-12);
    assert_int_equal(hf_sensors_at(set, at)->kind, HF_SENSOR_VOLTAGE);
    assert_true(fabs(readings[index_of(set, "boardchip@boardchip.656/curr1")].value - 84.5) < 1e-12);
    assert_true(fabs(readings[index_of(set, "boardchip@boardchip.656/power1")].value - 104) < 1e-12);
    assert_true(fabs(readings[index_of(set, "boardchip@boardchip.656/power2")].value - 55) < 1e-12);
    assert_true(readings[index_of(set, "boardchip@boardchip.656/fan1")].value == 1180);
    assert_true(readings[index_of(set, "powercap@intel-rapl:0/energy")].value == 0);
    assert_true(readings[index_of(set, "acpitz@thermal_zone/zone0")].value == 27.8);
    hf_sensors_free(set);
    hf_host_close(&host);
    tree_free(root);
}

static void test_roles(void **state)
{
    static const int16_t group_of_cpu[] = {3, 5};
    struct hf_sensor_rule rules[] = {
        {"boardchip", "", "temp1", "", HF_ROLE_SUPPLY, -1, 80},
        {"boardchip", "", "", "", HF_ROLE_IGNORED, -1, (double)NAN},
        {"acpitz", "", "", "", HF_ROLE_COOLANT, -1, (double)NAN},
        {"absent", "", "", "", HF_ROLE_PACKAGE, -1, (double)NAN},
        {"coretemp", "coretemp.0", "", "Core 8", HF_ROLE_GROUP, 7, (double)NAN},
    };
    char *root = tree_new();
    struct hf_reading readings[32];
    struct hf_sensors *set;
    struct hf_error error = {0};
    struct hf_host host;
    double celsius = 0;
    int matched[5];

    (void)state;
    make_board(root);
    assert_int_equal(hf_host_open(root, &host, &error), HF_OK);
    set = find(&host);
    hf_sensors_roles_by_topology(set, group_of_cpu, 2);
    assert_int_equal(hf_sensors_at(set, 0)->role, HF_ROLE_PACKAGE);
    assert_int_equal(hf_sensors_at(set, 1)->role, HF_ROLE_GROUP);
    assert_int_equal(hf_sensors_at(set, 1)->group, 3);
    assert_int_equal(hf_sensors_at(set, 2)->group, 5);
    assert_int_equal(hf_sensors_at(set, index_of(set, "x86_pkg_temp@thermal_zone/zone0"))->role,
                     HF_ROLE_PACKAGE);
    assert_int_equal(hf_sensors_at(set, index_of(set, "powercap@intel-rapl:0/energy"))->role,
                     HF_ROLE_PACKAGE);
    assert_int_equal(hf_sensors_at(set, index_of(set, "acpitz@thermal_zone/zone0"))->role, HF_ROLE_NONE);
    hf_sensors_roles_by_rules(set, rules, 5, matched);
    assert_int_equal(matched[0], 1);
    assert_int_equal(matched[1], 6); /* what the first rule has won stays its own */
    assert_int_equal(matched[2], 1);
    assert_int_equal(matched[3], 0);
    assert_int_equal(hf_sensors_at(set, 2)->group, 7);
    assert_true(hf_sensors_at(set, index_of(set, "boardchip@boardchip.656/temp1"))->limit_c == 80);
    assert_int_equal(hf_sensors_read(set, 0, INT64_MAX, readings), 7);
    assert_int_equal(readings[index_of(set, "boardchip@boardchip.656/fan1")].trouble, HF_SENSOR_UNREAD);
    assert_int_equal(hf_sensors_hottest(set, readings, HF_ROLE_GROUP, 7, &celsius), 2);
    assert_true(celsius == 52);
    assert_true(hf_sensors_hottest(set, readings, HF_ROLE_PACKAGE, -1, &celsius) >= 0);
    assert_true(celsius == 55);
    assert_int_equal(hf_sensors_hottest(set, readings, HF_ROLE_GROUP, 4, &celsius), -1);
    assert_true(celsius == 55);
    hf_sensors_free(set);
    hf_host_close(&host);
    tree_free(root);
}

/* A die's sensor is nobody's; the control temperature is the package's (kernel documentation, k10temp). */
static void test_roles_of_the_other_driver(void **state)
{
    static const int16_t group_of_cpu[] = {0};
    struct hf_host host;
    struct script *script = script_new(&host);
    struct hf_sensors *set;

    (void)state;
    script_set(script, "/sys/class/hwmon/hwmon1/name", "k10temp\n");
    script_link(script, "/sys/class/hwmon/hwmon1/device", "../../../0000:00:18.3");
    script_number(script, "/sys/class/hwmon/hwmon1/temp1_input", 61000);
    script_set(script, "/sys/class/hwmon/hwmon1/temp1_label", "Tctl\n");
    script_number(script, "/sys/class/hwmon/hwmon1/temp3_input", 58000);
    script_set(script, "/sys/class/hwmon/hwmon1/temp3_label", "Tccd1\n");
    set = find(&host);
    hf_sensors_roles_by_topology(set, group_of_cpu, 1);
    assert_int_equal(hf_sensors_at(set, index_of(set, "k10temp@0000:00:18.3/temp1"))->role, HF_ROLE_PACKAGE);
    assert_int_equal(hf_sensors_at(set, index_of(set, "k10temp@0000:00:18.3/temp3"))->role, HF_ROLE_NONE);
    hf_sensors_free(set);
    assert_int_equal(script->opened, 0);
    free(script);
}

static void test_none_and_hostile(void **state)
{
    char *root = tree_new();
    struct hf_sensors *set;
    struct hf_error error = {0};
    struct hf_reading reading[8];
    struct hf_host host;
    char long_line[4096];

    (void)state;
    tree_folder(root, "sys/");
    assert_int_equal(hf_host_open(root, &host, &error), HF_OK);
    set = find(&host);
    assert_int_equal(hf_sensors_count(set), 0);
    assert_int_equal(hf_sensors_read(set, 0, INT64_MAX, reading), 0);
    hf_sensors_free(set);
    memset(long_line, '9', sizeof long_line);
    tree_file(root, "sys/class/hwmon/hwmon0/name", "boardchip"); /* no newline, no device */
    tree_folder(root, "sys/class/hwmon/hwmon0/temp1_input/");
    tree_bytes(root, "sys/class/hwmon/hwmon0/temp2_input", long_line, sizeof long_line);
    tree_file(root, "sys/class/hwmon/hwmon0/temp3_input", "");
    tree_bytes(root, "sys/class/hwmon/hwmon0/temp4_input", "\xff\xfe\n", 3);
    tree_link(root, "sys/class/hwmon/hwmon0/temp5_input", "temp5_input");
    tree_file(root, "sys/class/hwmon/hwmon0/temp6_input", "44000");
    tree_file(root, "sys/class/hwmon/hwmon1/temp1_input", "44000"); /* a chip without a name is none */
    tree_file(root, "sys/class/hwmon/hwmon2", "a file");
    tree_link(root, "sys/class/hwmon/hwmon3", "hwmon3");
    set = find(&host);
    assert_int_equal(hf_sensors_count(set), 6);
    assert_int_equal(hf_sensors_read(set, 0, INT64_MAX, reading), 1);
    assert_int_equal(reading[0].trouble, HF_SENSOR_ERROR);
    assert_int_equal(reading[1].trouble, HF_SENSOR_GARBLED);
    assert_int_equal(reading[2].trouble, HF_SENSOR_GARBLED);
    assert_int_equal(reading[3].trouble, HF_SENSOR_GARBLED);
    assert_int_equal(reading[4].trouble, HF_SENSOR_ERROR);
    assert_int_equal(reading[5].trouble, HF_SENSOR_GOOD);
    assert_string_equal(hf_sensors_at(set, 5)->key, "boardchip@/temp6");
    hf_sensors_free(set);
    hf_host_close(&host);
    tree_free(root);
}

/* --- in time ---------------------------------------------------------------------------------------- */

#define CHIP "/sys/class/hwmon/hwmon7"

static struct hf_sensors *one_sensor(struct script *script, const struct hf_host *host)
{
    script_set(script, CHIP "/name", "boardchip\n");
    script_link(script, CHIP "/device", "../../../boardchip.656");
    script_number(script, CHIP "/temp1_input", 50000);
    script_set(script, CHIP "/temp1_label", "Tloop\n");
    script_number(script, CHIP "/temp1_fault", 0);
    return find(host);
}

static enum hf_sensor_trouble next(struct script *script, struct hf_sensors *set, long long millidegree,
                                   int under_load)
{
    struct hf_reading reading = {0};

    script->now_ns += SECOND;
    script_number(script, CHIP "/temp1_input", millidegree);
    hf_sensors_read(set, under_load, INT64_MAX, &reading);
    if (reading.trouble == HF_SENSOR_GOOD)
        assert_true(reading.value == (double)millidegree / 1000.0);
    else
        assert_true(isnan(reading.value));
    return reading.trouble;
}

static void test_implausible_values(void **state)
{
    static const struct {
        long long millidegree;
        enum hf_sensor_trouble trouble;
    } rounds[] = {
        {50000, HF_SENSOR_GOOD},  {0, HF_SENSOR_ZERO},      {51000, HF_SENSOR_GOOD},
        {127000, HF_SENSOR_OPEN}, {125000, HF_SENSOR_OPEN}, {-128000, HF_SENSOR_OPEN},
        {-40000, HF_SENSOR_OPEN}, {52000, HF_SENSOR_GOOD},  {82001, HF_SENSOR_JUMP},
        {52000, HF_SENSOR_GOOD},  {82000, HF_SENSOR_GOOD},  {51999, HF_SENSOR_JUMP},
        {51900, HF_SENSOR_JUMP},  {51950, HF_SENSOR_GOOD},  {51960, HF_SENSOR_GOOD},
        {95000, HF_SENSOR_JUMP},  {10000, HF_SENSOR_JUMP},  {95000, HF_SENSOR_JUMP},
        {96000, HF_SENSOR_JUMP},  {97000, HF_SENSOR_GOOD},
    };
    struct hf_host host;
    struct script *script = script_new(&host);
    struct hf_sensors *set = one_sensor(script, &host);

    (void)state;
    for (size_t i = 0; i < sizeof rounds / sizeof rounds[0]; i++) {
        enum hf_sensor_trouble trouble = next(script, set, rounds[i].millidegree, 0);

        if (trouble != rounds[i].trouble)
            fail_msg("round %zu: %lld gave %s, not %s", i, rounds[i].millidegree,
                     hf_sensor_trouble_name(trouble), hf_sensor_trouble_name(rounds[i].trouble));
    }
    script->now_ns += 61 * SECOND; /* after a minute without readings any level is possible */
    assert_int_equal(next(script, set, 40000, 0), HF_SENSOR_GOOD);
    hf_sensors_free(set);
    free(script);
}

/* Cold air is a real temperature; -0.5 degC was seen on a real sensor. */
static void test_below_zero_is_plausible(void **state)
{
    struct hf_sensor_history history = {0};

    (void)state;
    assert_int_equal(hf_temperature_judge(&history, -500, SECOND, 0, 600), HF_SENSOR_GOOD);
    assert_int_equal(hf_temperature_judge(&history, -39999 / 2, 2 * SECOND, 0, 600), HF_SENSOR_GOOD);
}

static void test_stuck(void **state)
{
    struct hf_host host;
    struct script *script = script_new(&host);
    struct hf_sensors *set = one_sensor(script, &host);
    int round;

    (void)state;
    for (round = 0; round < 2000; round++) /* idle: an even temperature is no wonder */
        assert_int_equal(next(script, set, 50000, 0), HF_SENSOR_GOOD);
    for (round = 0; round < 600; round++)
        assert_int_equal(next(script, set, 50000, 1), HF_SENSOR_GOOD);
    assert_int_equal(next(script, set, 50000, 1), HF_SENSOR_STUCK);
    assert_int_equal(next(script, set, 50000, 0), HF_SENSOR_STUCK); /* idling does not heal it */
    assert_int_equal(next(script, set, 50125, 1), HF_SENSOR_GOOD);  /* a change does */
    hf_sensors_set_stuck_s(set, 5);
    for (round = 0; round < 5; round++)
        assert_int_equal(next(script, set, 50125, 1), HF_SENSOR_GOOD);
    assert_int_equal(next(script, set, 50125, 1), HF_SENSOR_STUCK);
    hf_sensors_free(set);
    free(script);
}

static enum hf_sensor_trouble with_errno(struct script *script, struct hf_sensors *set, int wrong)
{
    struct hf_reading reading = {0};

    script->now_ns += SECOND;
    script_wrong(script, CHIP "/temp1_input", wrong);
    hf_sensors_read(set, 0, INT64_MAX, &reading);
    assert_int_equal(reading.errno_value, wrong);
    assert_true(isnan(reading.value));
    return reading.trouble;
}

static void test_failing_reads(void **state)
{
    struct hf_host host;
    struct script *script = script_new(&host);
    struct hf_sensors *set = one_sensor(script, &host);

    (void)state;
    assert_int_equal(next(script, set, 50000, 0), HF_SENSOR_GOOD);
    assert_int_equal(with_errno(script, set, EAGAIN), HF_SENSOR_ERROR);
    assert_int_equal(with_errno(script, set, EIO), HF_SENSOR_ERROR);
    assert_int_equal(with_errno(script, set, ETIMEDOUT), HF_SENSOR_ERROR);
    assert_int_equal(with_errno(script, set, ENODATA), HF_SENSOR_OFF);
    assert_int_equal(with_errno(script, set, EPERM), HF_SENSOR_DENIED);
    assert_int_equal(next(script, set, 51000, 0), HF_SENSOR_GOOD);
    script_number(script, CHIP "/temp1_fault", 1);
    assert_int_equal(next(script, set, 51000, 0), HF_SENSOR_FAULT);
    script_number(script, CHIP "/temp1_fault", 0);
    assert_int_equal(next(script, set, 51000, 0), HF_SENSOR_GOOD);
    script_set(script, CHIP "/temp1_label", "Other\n");
    assert_int_equal(next(script, set, 51000, 0), HF_SENSOR_RENAMED);
    script_set(script, CHIP "/temp1_label", "Tloop\n");
    assert_int_equal(next(script, set, 51000, 0), HF_SENSOR_GOOD);
    script_set(script, CHIP "/name", "otherchip\n");
    assert_int_equal(next(script, set, 51000, 0), HF_SENSOR_RENAMED);
    hf_sensors_free(set);
    assert_int_equal(script->opened, 0);
    free(script);
}

/* The device goes and comes back under another number: found by its key, and read on. */
static void test_gone_and_back(void **state)
{
    struct hf_host host;
    struct script *script = script_new(&host);
    struct hf_sensors *set = one_sensor(script, &host);
    struct hf_reading reading = {0};

    (void)state;
    assert_int_equal(next(script, set, 50000, 0), HF_SENSOR_GOOD);
    script_remove(script, CHIP);
    for (int round = 0; round < 30; round++) {
        script->now_ns += SECOND;
        hf_sensors_read(set, 0, INT64_MAX, &reading);
        assert_int_equal(reading.trouble, HF_SENSOR_GONE);
        assert_true(isnan(reading.value));
    }
    script_set(script, "/sys/class/hwmon/hwmon2/name", "boardchip\n");
    script_link(script, "/sys/class/hwmon/hwmon2/device", "../../../boardchip.656");
    script_number(script, "/sys/class/hwmon/hwmon2/temp1_input", 50500);
    script_set(script, "/sys/class/hwmon/hwmon2/temp1_label", "Tloop\n");
    script_set(script, "/sys/class/hwmon/hwmon3/name", "boardchip\n"); /* the same chip in another place */
    script_number(script, "/sys/class/hwmon/hwmon3/temp1_input", 99000);
    for (int round = 0; round < 11 && reading.trouble == HF_SENSOR_GONE; round++) {
        script->now_ns += SECOND;
        hf_sensors_read(set, 0, INT64_MAX, &reading);
    }
    assert_int_equal(reading.trouble, HF_SENSOR_GOOD); /* in the round that finds it */
    assert_true(reading.value == 50.5);
    assert_int_equal(hf_sensors_count(set), 1);
    hf_sensors_free(set);
    assert_int_equal(script->opened, 0);
    free(script);
}

static void test_deadline(void **state)
{
    struct hf_host host;
    struct script *script = script_new(&host);
    struct hf_reading readings[4];
    struct hf_sensors *set;
    int read[4] = {0};

    (void)state;
    script_set(script, CHIP "/name", "slowbus\n");
    for (int i = 1; i <= 4; i++) {
        char path[64];

        snprintf(path, sizeof path, CHIP "/temp%d_input", i);
        script_number(script, path, 40000 + i);
        script_find(script, path)->read_ns = 30000000;
    }
    set = find(&host);
    for (int round = 0; round < 4; round++) { /* 50 ms are enough for two of the four: all get their turn */
        int good = hf_sensors_read(set, 0, script->now_ns + 50000000, readings);

        assert_int_equal(good, 2);
        for (int i = 0; i < 4; i++) {
            assert_true(readings[i].trouble == HF_SENSOR_GOOD || readings[i].trouble == HF_SENSOR_LATE);
            read[i] += readings[i].trouble == HF_SENSOR_GOOD;
        }
        script->now_ns += SECOND;
    }
    for (int i = 0; i < 4; i++)
        assert_int_equal(read[i], 2);
    hf_sensors_free(set);
    free(script);
}

/* --- energy ----------------------------------------------------------------------------------------- */

static void test_energy_wraps(void **state)
{
    struct hf_energy_counter counter = {.range_uj = 1000000000}; /* 1000 J */
    double watts;

    (void)state;
    assert_true(isnan(hf_energy_take(&counter, 900000000, SECOND)));
    watts = hf_energy_take(&counter, 950000000, 2 * SECOND);
    assert_true(fabs(watts - 50) < 1e-9);
    watts = hf_energy_take(&counter, 50000000, 4 * SECOND); /* over the top: 100 J in 2 s */
    assert_true(fabs(watts - 50) < 1e-9);
    assert_true(fabs(counter.joules - 150) < 1e-9);
    assert_true(isnan(hf_energy_take(&counter, 50000000, 4 * SECOND))); /* no time passed */
    assert_true(hf_energy_take(&counter, 50000000, 5 * SECOND) == 0);
    counter = (struct hf_energy_counter){0}; /* range unknown: a decrease says nothing */
    (void)hf_energy_take(&counter, 500, SECOND);
    assert_true(isnan(hf_energy_take(&counter, 100, 2 * SECOND)));
    assert_true(fabs(hf_energy_take(&counter, 1000100, 3 * SECOND) - 1) < 1e-9);
    assert_true(fabs(counter.joules - 1) < 1e-9);
}

/* Against a counter that is wide enough never to wrap: thousands of steps, deterministic. */
static void test_energy_against_wide_counter(void **state)
{
    const uint64_t range = 65712999613; /* microjoules, a value that real counters show */
    struct hf_energy_counter counter = {.range_uj = range};
    uint64_t total = 0;
    uint64_t random = 12345;
    int wraps = 0;

    (void)state;
    (void)hf_energy_take(&counter, 0, SECOND);
    for (int i = 1; i <= 5000; i++) {
        random = random * UINT64_C(6364136223846793005) + 1442695040888963407u;
        total += random % 9000000000; /* up to 9 kJ a step */
        wraps += total / range != (total - random % 9000000000) / range;
        (void)hf_energy_take(&counter, total % range, (1 + i) * SECOND);
    }
    assert_true(wraps > 100);
    assert_true(fabs(counter.joules - (double)total * 1e-6) < 1e-3);
}

static void test_energy_sensor(void **state)
{
    struct hf_host host;
    struct script *script = script_new(&host);
    struct hf_reading reading = {0};
    struct hf_sensors *set;

    (void)state;
    script_set(script, "/sys/class/powercap/intel-rapl:0/name", "package-0\n");
    script_number(script, "/sys/class/powercap/intel-rapl:0/energy_uj", 262143000000);
    script_number(script, "/sys/class/powercap/intel-rapl:0/max_energy_range_uj", 262143328850);
    set = find(&host);
    assert_int_equal(hf_sensors_read(set, 0, INT64_MAX, &reading), 1);
    assert_true(reading.value == 0 && isnan(reading.watts));
    script->now_ns += 2 * SECOND;
    script_number(script, "/sys/class/powercap/intel-rapl:0/energy_uj", 299671150);
    hf_sensors_read(set, 0, INT64_MAX, &reading);
    assert_true(fabs(reading.watts - 150) < 1e-6);
    assert_true(fabs(reading.value - 300) < 0.001);
    script_wrong(script, "/sys/class/powercap/intel-rapl:0/energy_uj", EACCES);
    hf_sensors_read(set, 0, INT64_MAX, &reading);
    assert_int_equal(reading.trouble,
                     HF_SENSOR_GOOD); /* the open handle goes on: rights are checked at opening */
    hf_sensors_free(set);
    set = find(&host);
    hf_sensors_read(set, 0, INT64_MAX, &reading);
    assert_int_equal(reading.trouble, HF_SENSOR_DENIED);
    hf_sensors_free(set);
    free(script);
}

/* --- the thread, and the cost ----------------------------------------------------------------------- */

static void make_big_machine(char *root)
{
    char path[128];
    char text[32];

    tree_file(root, "sys/class/hwmon/hwmon0/name", "coretemp\n");
    tree_link(root, "sys/class/hwmon/hwmon0/device", "../../../coretemp.0");
    for (int i = 1; i <= 65; i++) {
        snprintf(path, sizeof path, "sys/class/hwmon/hwmon0/temp%d_input", i);
        snprintf(text, sizeof text, "%d\n", 40000 + 125 * i);
        tree_file(root, path, text);
        snprintf(path, sizeof path, "sys/class/hwmon/hwmon0/temp%d_label", i);
        snprintf(text, sizeof text, i == 1 ? "Package id 0\n" : "Core %d\n", i - 2);
        tree_file(root, path, text);
    }
    tree_file(root, "sys/class/hwmon/hwmon1/name", "boardchip\n");
    for (int i = 0; i < 30; i++) {
        snprintf(path, sizeof path, "sys/class/hwmon/hwmon1/in%d_input", i);
        tree_file(root, path, "1200\n");
    }
}

static void test_thread_hands_over(void **state)
{
    char *root = tree_new();
    struct hf_sensor_reader *reader = NULL;
    struct hf_reading readings[128];
    struct hf_sensors *set;
    struct hf_error error = {0};
    struct hf_host host;
    int64_t age = -1;
    int rounds = 0;

    (void)state;
    make_big_machine(root);
    assert_int_equal(hf_host_open(root, &host, &error), HF_OK);
    set = find(&host);
    assert_int_equal(hf_sensors_count(set), 95);
    assert_int_equal(hf_sensor_reader_start(set, 20, &reader, &error), HF_OK);
    hf_sensor_reader_load(reader, 1);
    for (int i = 0; i < 2000 && rounds < 5; i++) {
        struct timespec pause = {0, 5000000};

        if (hf_sensor_reader_latest(reader, readings, &age) && readings[0].trouble == HF_SENSOR_GOOD) {
            rounds++;
            for (int at = 0; at < 95; at++) /* a whole round, never a part of one */
                assert_int_equal(readings[at].trouble, HF_SENSOR_GOOD);
            assert_true(age >= 0 && age < 5 * SECOND);
        }
        (void)nanosleep(&pause, NULL);
    }
    assert_int_equal(rounds, 5);
    assert_int_equal(hf_sensor_reader_stop(reader, &error), HF_OK);
    assert_int_equal(hf_sensor_reader_stop(NULL, &error), HF_OK);
    hf_sensors_free(set);
    hf_host_close(&host);
    tree_free(root);
}

static atomic_int bus_hangs;
static atomic_int bus_is_read;

/* A bus that holds a read until the test lets it go. */
static int hanging_read(void *context, int handle, char *bytes, size_t size)
{
    atomic_store(&bus_is_read, 1);
    while (atomic_load(&bus_hangs)) {
        struct timespec pause = {0, 1000000};

        (void)nanosleep(&pause, NULL);
    }
    return script_read(context, handle, bytes, size);
}

/* The caller never waits for it: what is old shows its age, and stopping gives up after 2 s. */
static void test_thread_that_hangs(void **state)
{
    struct hf_host host;
    struct script *script = script_new(&host);
    struct hf_sensors *set = one_sensor(script, &host);
    struct hf_sensor_reader *reader = NULL;
    struct hf_reading reading;
    struct hf_error error = {0};
    struct timespec begin, end;
    int64_t age = -1;

    (void)state;
    host.read = hanging_read; /* the set keeps a pointer to this host */
    atomic_store(&bus_hangs, 1);
    assert_int_equal(hf_sensor_reader_start(set, 10, &reader, &error), HF_OK);
    while (!atomic_load(&bus_is_read)) {
    }
    (void)clock_gettime(CLOCK_MONOTONIC, &begin);
    for (int i = 0; i < 100; i++)
        assert_int_equal(hf_sensor_reader_latest(reader, &reading, &age), 0);
    (void)clock_gettime(CLOCK_MONOTONIC, &end);
    assert_true((double)(end.tv_sec - begin.tv_sec) + (double)(end.tv_nsec - begin.tv_nsec) * 1e-9 < 0.5);
    assert_int_equal(reading.trouble, HF_SENSOR_UNREAD);
    assert_int_equal(hf_sensor_reader_stop(reader, &error), HF_E_BUSY);
    atomic_store(&bus_hangs, 0);
    error = (struct hf_error){0};
    assert_int_equal(hf_sensor_reader_stop(reader, &error), HF_OK);
    hf_sensors_free(set);
    free(script);
}

static double cpu_seconds(void)
{
    struct timespec now;

    (void)clock_gettime(CLOCK_THREAD_CPUTIME_ID, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

/* All sensors of 64 cores once a second: at most 0.2 % of a core, so 2 ms a round. Files in memory, so the
 * drivers' own work is not in it. */
static void test_cost(void **state)
{
    char *root = tree_new();
    struct hf_reading readings[128];
    struct hf_sensors *set;
    struct hf_error error = {0};
    struct hf_host host;
    double begin, each;

    (void)state;
    make_big_machine(root);
    assert_int_equal(hf_host_open(root, &host, &error), HF_OK);
    set = find(&host);
    (void)hf_sensors_read(set, 1, INT64_MAX, readings);
    begin = cpu_seconds();
    for (int i = 0; i < 200; i++)
        assert_int_equal(hf_sensors_read(set, 1, INT64_MAX, readings), 95);
    each = (cpu_seconds() - begin) / 200;
    print_message("95 sensors of 64 cores: %.0f us a round, %.4f %% of a core at 1 Hz\n", each * 1e6,
                  each * 100);
#ifndef HOLDFAST_SANITIZED
    assert_true(each < 0.002);
#endif
    hf_sensors_free(set);
    hf_host_close(&host);
    tree_free(root);
}

static void test_more_files_than_handles(void **state)
{
    char *root = tree_new();
    struct hf_reading *readings = calloc(HF_SENSORS_MAX, sizeof *readings);
    struct rlimit limit;
    struct hf_sensors *set;
    struct hf_error error = {0};
    struct hf_host host;

    (void)state;
    for (int chip = 0; chip < 3; chip++) {
        for (int i = 0; i < 400; i++) {
            char path[96];

            snprintf(path, sizeof path, "sys/class/hwmon/hwmon%d/temp%d_input", chip, i);
            tree_file(root, path, "45000\n");
        }
    }
    tree_file(root, "sys/class/hwmon/hwmon0/name", "a\n");
    tree_file(root, "sys/class/hwmon/hwmon1/name", "b\n");
    tree_file(root, "sys/class/hwmon/hwmon2/name", "c\n");
    assert_int_equal(getrlimit(RLIMIT_NOFILE, &limit), 0);
    limit.rlim_cur = 300;
    assert_int_equal(setrlimit(RLIMIT_NOFILE, &limit), 0);
    assert_int_equal(hf_host_open(root, &host, &error), HF_OK);
    set = find(&host);
    assert_int_equal(hf_sensors_count(set), 1200);
    for (int round = 0; round < 3; round++)
        assert_int_equal(hf_sensors_read(set, 0, INT64_MAX, readings), 1200);
    hf_sensors_free(set);
    hf_host_close(&host);
    free(readings);
    tree_free(root);
}

static void test_words(void **state)
{
    (void)state;
    for (int role = 0; role < HF_ROLE_COUNT; role++)
        assert_int_equal(hf_sensor_role_of_name(hf_sensor_role_name((enum hf_sensor_role)role)), role);
    assert_int_equal(hf_sensor_role_of_name("Package"), -1);
    for (int trouble = 0; trouble < HF_SENSOR_TROUBLE_COUNT; trouble++) {
        assert_true(strlen(hf_sensor_trouble_name((enum hf_sensor_trouble)trouble)) > 0);
        assert_true(strlen(hf_sensor_trouble_sentence((enum hf_sensor_trouble)trouble)) > 0);
    }
}

/* The profile's words for roles, as its schema lists them, are this layer's; "none" is what no entry gives.
 */
static void test_profile_knows_the_same_roles(void **state)
{
    struct hf_error error = {0};
    struct cJSON *schema = NULL;
    const cJSON *roles, *role;
    struct hf_text text;
    int listed = 0;

    (void)state;
    assert_int_equal(
        hf_text_read_file(&text, HOLDFAST_SOURCE_DIR "/docs/profile.schema.json", 1 << 20, &error), HF_OK);
    assert_int_equal(hf_json_parse(text.bytes, text.size, "profile.schema.json", &schema, &error), HF_OK);
    roles = cJSON_GetObjectItemCaseSensitive(schema, "$defs");
    roles = cJSON_GetObjectItemCaseSensitive(roles, "sensor");
    roles = cJSON_GetObjectItemCaseSensitive(roles, "properties");
    roles = cJSON_GetObjectItemCaseSensitive(roles, "role");
    roles = cJSON_GetObjectItemCaseSensitive(roles, "enum");
    cJSON_ArrayForEach(role, roles)
    {
        assert_true(hf_sensor_role_of_name(role->valuestring) > HF_ROLE_NONE);
        listed++;
    }
    assert_int_equal(listed, HF_ROLE_COUNT - 1);
    hf_json_document_free(schema);
    hf_text_release(&text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_finds_all_kinds),
        cmocka_unit_test(test_roles),
        cmocka_unit_test(test_roles_of_the_other_driver),
        cmocka_unit_test(test_none_and_hostile),
        cmocka_unit_test(test_implausible_values),
        cmocka_unit_test(test_below_zero_is_plausible),
        cmocka_unit_test(test_stuck),
        cmocka_unit_test(test_failing_reads),
        cmocka_unit_test(test_gone_and_back),
        cmocka_unit_test(test_deadline),
        cmocka_unit_test(test_energy_wraps),
        cmocka_unit_test(test_energy_against_wide_counter),
        cmocka_unit_test(test_energy_sensor),
        cmocka_unit_test(test_thread_hands_over),
        cmocka_unit_test(test_thread_that_hangs),
        cmocka_unit_test(test_cost),
        cmocka_unit_test(test_more_files_than_handles),
        cmocka_unit_test(test_words),
        cmocka_unit_test(test_profile_knows_the_same_roles),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
