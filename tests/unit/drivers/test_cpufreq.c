/*
 * The cpufreq driver on a kernel that the test plays: it refuses a lower limit above the upper one (kernel
 * documentation, CPU Performance Scaling: "scaling_min_freq ... must not be greater than scaling_max_freq"),
 * clamps, ignores, refuses, reverts. No file may be written before its old value has been noted.
 */
#include "unit/machine/scripted_host.h"

#include "drivers/drivers.h"

#define CPUS    "/sys/devices/system/cpu"
#define LOG_MAX 64

static struct {
    struct script *script;
    struct hf_host host;
    char log[LOG_MAX][160]; /* "policy0/scaling_max_freq=3600000" */
    int log_count;
    char noted[LOG_MAX][HF_HOST_PATH_MAX];
    char noted_old[LOG_MAX][32];
    int noted_count;
    int note_fails;
    int unnoted; /* writes without a note */
    int wrong_order;
    int refuse;     /* errno of every write */
    long clamp_khz; /* upper limits become at most this */
    int ignores;
    long boost_max_khz; /* cpuinfo_max_freq once boost is on */
} fake;

static const int16_t cpus[2][2] = {{0, 1}, {2, 3}};
static const struct hf_driver_group groups[2] = {{"A", cpus[0], 2, 4, 20, 0}, {"B", cpus[1], 2, 4, 20, 0}};
static struct hf_driver_config config;

static long number_of(const char *path)
{
    struct script_file *file = script_find(fake.script, path);

    assert_non_null(file);
    return atol(file->text);
}

static int was_noted(const char *path)
{
    for (int i = 0; i < fake.noted_count; i++) {
        if (strcmp(fake.noted[i], path) == 0)
            return 1;
    }
    return 0;
}

/* The other limit of the same policy. */
static long other_limit(const char *path, const char *file)
{
    char other[HF_HOST_PATH_MAX];

    snprintf(other, sizeof other, "%.*s%s", (int)(strrchr(path, '/') - path + 1), path, file);
    return number_of(other);
}

static int fake_write(void *context, const char *path, const char *text)
{
    const char *name = strrchr(path, '/') + 1;
    long khz = atol(text);

    (void)context;
    if (fake.refuse != 0)
        return -fake.refuse;
    assert_non_null(script_find(fake.script, path));
    fake.unnoted += !was_noted(path) && strcmp(name, "scaling_setspeed") != 0;
    snprintf(fake.log[fake.log_count++], sizeof fake.log[0], "%s=%s", path + strlen(CPUS "/cpufreq/"), text);
    if (fake.ignores)
        return 0;
    if ((strcmp(name, "scaling_min_freq") == 0 && khz > other_limit(path, "scaling_max_freq")) ||
        (strcmp(name, "scaling_max_freq") == 0 && khz < other_limit(path, "scaling_min_freq"))) {
        fake.wrong_order++;
        return -EINVAL;
    }
    if (fake.clamp_khz > 0 && strncmp(name, "scaling_m", 9) == 0 && khz > fake.clamp_khz)
        khz = fake.clamp_khz;
    if (strcmp(name, "scaling_governor") == 0 || strcmp(name, "boost") == 0 || strcmp(name, "no_turbo") == 0)
        script_set(fake.script, path, text);
    else
        script_number(fake.script, path, khz);
    if (strcmp(name, "boost") == 0 || strcmp(name, "no_turbo") == 0) {
        script_number(fake.script, CPUS "/cpufreq/policy0/cpuinfo_max_freq", fake.boost_max_khz);
        script_number(fake.script, CPUS "/cpufreq/policy2/cpuinfo_max_freq", fake.boost_max_khz);
    }
    return 0;
}

static int note(void *context, const char *file, const char *old, const char *value, struct hf_error *error)
{
    (void)context;
    (void)value;
    if (fake.note_fails)
        return hf_fail(error, HF_E_FULL, "the disk is full");
    snprintf(fake.noted_old[fake.noted_count], sizeof fake.noted_old[0], "%s", old);
    snprintf(fake.noted[fake.noted_count++], sizeof fake.noted[0], "%s", file);
    return HF_OK;
}

static void policy(int number, const char *affected, long min, long max, long top, const char *governors)
{
    char path[HF_HOST_PATH_MAX];
    const struct {
        const char *file;
        const char *text;
    } words[] = {{"affected_cpus", affected},
                 {"scaling_available_governors", governors},
                 {"scaling_governor", "powersave"},
                 {"scaling_setspeed", "<unsupported>"}};
    const struct {
        const char *file;
        long value;
    } numbers[] = {{"scaling_min_freq", min}, {"scaling_max_freq", max}, {"cpuinfo_max_freq", top}};

    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        snprintf(path, sizeof path, CPUS "/cpufreq/policy%d/%s", number, words[i].file);
        script_set(fake.script, path, words[i].text);
    }
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
        snprintf(path, sizeof path, CPUS "/cpufreq/policy%d/%s", number, numbers[i].file);
        script_number(fake.script, path, numbers[i].value);
    }
}

/* Steps: ratio 30 + step / 4; baseline 31 = 3100000 kHz, highest 35 = 3500000 kHz. */
static int set_up(void **state)
{
    (void)state;
    memset(&fake, 0, sizeof fake);
    fake.script = script_new(&fake.host);
    fake.host.write = fake_write;
    fake.host.is_live = 0; /* rights are not looked at: the files are not the machine's */
    policy(0, "0 1", 800000, 4600000, 4600000, "performance powersave");
    policy(2, "2 3", 800000, 4600000, 4600000, "performance powersave");
    config = (struct hf_driver_config){.group_count = 2,
                                       .groups = groups,
                                       .base_clock_mhz = 100,
                                       .ratio_lowest = 30,
                                       .ratio_step = 0.25,
                                       .step_count = 21,
                                       .host = &fake.host,
                                       .note = note};
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    assert_int_equal(fake.script->opened, 0); /* no handle is lost */
    free(fake.script);
    return 0;
}

static void *open_it(void)
{
    struct hf_error error = {0};
    void *opened = NULL;

    if (hf_driver_cpufreq.open(&config, &opened, &error) != HF_OK)
        fail_msg("%s", error.message);
    return opened;
}

static void refuses(int code, const char *words)
{
    struct hf_error error = {0};
    void *opened = NULL;

    assert_int_equal(hf_driver_cpufreq.open(&config, &opened, &error), code);
    if (strstr(error.message, words) == NULL)
        fail_msg("\"%s\" does not say \"%s\"", error.message, words);
    assert_null(opened);
}

static int apply(void *opened, int a, int b, struct hf_error *error)
{
    int16_t wanted[HF_GROUPS_MAX] = {(int16_t)a, (int16_t)b};
    enum hf_apply_result result = HF_APPLY_REQUESTED;
    int code = hf_driver_cpufreq.apply(opened, wanted, &result, NULL, error);

    if (code == HF_OK)
        assert_int_equal(result, HF_APPLY_DONE);
    return code;
}

static int step_now(void *opened, int group)
{
    struct hf_error error = {0};
    int step = -9;

    assert_int_equal(hf_driver_cpufreq.read_back(opened, group, &step, &error), HF_OK);
    return step;
}

static void expect_log(const char *const *lines, int count)
{
    for (int i = 0; i < count || i < fake.log_count; i++) {
        const char *wanted = i < count ? lines[i] : "(nothing)";
        const char *got = i < fake.log_count ? fake.log[i] : "(nothing)";

        if (strcmp(wanted, got) != 0)
            fail_msg("write %d: %s instead of %s", i, got, wanted);
    }
    fake.log_count = 0;
}

static void test_order_up_and_down(void **state)
{
    static const char *const first[] = {"policy0/scaling_min_freq=3100000",
                                        "policy0/scaling_max_freq=3100000"};
    static const char *const up[] = {"policy0/scaling_max_freq=3500000", "policy0/scaling_min_freq=3500000"};
    static const char *const down[] = {"policy0/scaling_min_freq=3000000",
                                       "policy0/scaling_max_freq=3000000"};
    struct hf_error error = {0};
    void *opened = open_it();

    (void)state;
    assert_int_equal(apply(opened, 4, -1, &error), HF_OK);
    expect_log(first, 2);
    assert_int_equal(step_now(opened, 0), 4);
    assert_int_equal(step_now(opened, 1), -1); /* wide open limits are no ratio */
    assert_int_equal(apply(opened, 20, -1, &error), HF_OK);
    expect_log(up, 2);
    assert_int_equal(step_now(opened, 0), 20);
    assert_int_equal(apply(opened, 0, -1, &error), HF_OK);
    expect_log(down, 2);
    assert_int_equal(apply(opened, 0, -1, &error), HF_OK);
    expect_log(NULL, 0); /* in force already: nothing is written */
    assert_int_equal(fake.unnoted, 0);
    assert_int_equal(fake.wrong_order, 0);
    assert_string_equal(fake.noted_old[0], "800000");
    hf_driver_cpufreq.close(opened);
}

static void test_userspace_governor(void **state)
{
    static const char *const first[] = {
        "policy0/scaling_governor=userspace", "policy0/scaling_min_freq=3100000",
        "policy0/scaling_setspeed=3100000", "policy0/scaling_max_freq=3100000"};
    struct hf_error error = {0};
    void *opened;

    (void)state;
    policy(0, "0 1", 800000, 4600000, 4600000, "performance userspace schedutil");
    opened = open_it();
    assert_int_equal(apply(opened, 4, -1, &error), HF_OK);
    expect_log(first, 4);
    assert_true(was_noted(CPUS "/cpufreq/policy0/scaling_governor"));
    assert_false(
        was_noted(CPUS "/cpufreq/policy0/scaling_setspeed")); /* "<unsupported>" cannot be put back */
    assert_int_equal(fake.unnoted, 0);
    hf_driver_cpufreq.close(opened);
    /* somebody used it before us: then its value is kept too */
    tear_down(NULL);
    set_up(NULL);
    policy(0, "0 1", 800000, 4600000, 4600000, "userspace");
    script_set(fake.script, CPUS "/cpufreq/policy0/scaling_governor", "userspace");
    script_set(fake.script, CPUS "/cpufreq/policy0/scaling_setspeed", "2000000");
    opened = open_it();
    assert_int_equal(apply(opened, 4, -1, &error), HF_OK);
    assert_true(was_noted(CPUS "/cpufreq/policy0/scaling_setspeed"));
    hf_driver_cpufreq.close(opened);
}

/* One policy a CPU, and siblings that stand in no group: all of them get the limit. */
static void test_siblings_get_it_too(void **state)
{
    struct hf_error error = {0};
    void *opened;

    (void)state;
    policy(0, "0", 800000, 4600000, 4600000, "powersave");
    policy(1, "1", 800000, 4600000, 4600000, "powersave");
    policy(2, "2", 800000, 4600000, 4600000, "powersave");
    policy(3, "3", 800000, 4600000, 4600000, "powersave");
    policy(4, "4", 800000, 4600000, 4600000, "powersave");
    policy(9, "9", 800000, 4600000, 4600000, "powersave");
    script_set(fake.script, CPUS "/cpu0/topology/thread_siblings_list", "0,4\n");
    opened = open_it();
    assert_int_equal(apply(opened, 8, -1, &error), HF_OK);
    assert_int_equal(number_of(CPUS "/cpufreq/policy0/scaling_max_freq"), 3200000);
    assert_int_equal(number_of(CPUS "/cpufreq/policy1/scaling_max_freq"), 3200000);
    assert_int_equal(number_of(CPUS "/cpufreq/policy4/scaling_max_freq"), 3200000);
    assert_int_equal(number_of(CPUS "/cpufreq/policy2/scaling_max_freq"), 4600000);
    assert_int_equal(number_of(CPUS "/cpufreq/policy9/scaling_max_freq"), 4600000);
    /* a sibling that is lifted by somebody else shows in the read-back */
    script_number(fake.script, CPUS "/cpufreq/policy4/scaling_max_freq", 4600000);
    assert_int_equal(step_now(opened, 0), -1);
    hf_driver_cpufreq.close(opened);
}

static void test_what_the_kernel_does_not_do(void **state)
{
    struct hf_error error = {0};
    void *opened = open_it();

    (void)state;
    assert_int_equal(apply(opened, 4, -1, &error), HF_OK);
    fake.clamp_khz = 3300000; /* takes it, and clamps */
    assert_int_equal(apply(opened, 20, -1, &error), HF_E_REFUSED);
    assert_non_null(
        strstr(error.message, "3500.00 MHz was asked for and the kernel keeps 3300.00 MHz (policy0)"));
    hf_error_clear(&error);
    assert_int_equal(step_now(opened, 0), -1);             /* the limits do not agree */
    assert_int_equal(apply(opened, 4, -1, &error), HF_OK); /* and the way back is open */
    assert_int_equal(step_now(opened, 0), 4);
    fake.clamp_khz = 0;
    assert_int_equal(apply(opened, 20, -1, &error), HF_OK);
    assert_int_equal(step_now(opened, 0), 20);
    fake.ignores = 1;                                      /* takes it, and does nothing */
    assert_int_equal(apply(opened, 8, -1, &error), HF_OK); /* down: only the read-back can tell */
    assert_int_equal(step_now(opened, 0), 20);
    fake.ignores = 0;
    fake.refuse = EBUSY;
    assert_int_equal(apply(opened, 8, -1, &error), HF_E_REFUSED);
    assert_non_null(strstr(error.message, "busy"));
    hf_error_clear(&error);
    fake.refuse = EINVAL;
    assert_int_equal(apply(opened, 8, -1, &error), HF_E_REFUSED);
    hf_error_clear(&error);
    fake.refuse = EACCES;
    assert_int_equal(apply(opened, 8, -1, &error), HF_E_PERMISSION);
    assert_non_null(strstr(error.message, "run as root"));
    hf_error_clear(&error);
    fake.refuse = 0;
    script_number(fake.script, CPUS "/cpufreq/policy0/scaling_max_freq",
                  4600000); /* reverted behind our back */
    assert_int_equal(step_now(opened, 0), -1);
    hf_driver_cpufreq.close(opened);
}

static void test_nothing_without_a_note(void **state)
{
    struct hf_error error = {0};
    void *opened = open_it();

    (void)state;
    fake.note_fails = 1;
    assert_int_equal(apply(opened, 8, 8, &error), HF_E_FULL);
    assert_int_equal(fake.log_count, 0);
    hf_error_clear(&error);
    config.note = NULL;
    assert_int_equal(apply(opened, 8, 8, &error), HF_E_REFUSED);
    assert_int_equal(fake.log_count, 0);
    hf_error_clear(&error);
    config.note = note;
    assert_int_equal(apply(opened, 21, 8, &error), HF_E_REFUSED); /* the gate: above the group's highest */
    assert_int_equal(fake.log_count + fake.noted_count, 0);
    hf_driver_cpufreq.close(opened);
}

static void test_boost(void **state)
{
    static const char *const first[] = {"boost=1", "policy0/scaling_max_freq=3500000",
                                        "policy0/scaling_min_freq=3500000"};
    struct hf_error error = {0};
    void *opened;

    (void)state;
    policy(0, "0 1", 800000, 3200000, 3200000, "powersave");
    policy(2, "2 3", 800000, 3200000, 3200000, "powersave");
    script_set(fake.script, CPUS "/cpufreq/boost", "0");
    fake.boost_max_khz = 4600000;
    opened = open_it();
    assert_int_equal(apply(opened, 8, -1, &error), HF_OK); /* 3200000: within, boost stays off */
    assert_int_equal(number_of(CPUS "/cpufreq/boost"), 0);
    fake.log_count = 0;
    assert_int_equal(apply(opened, 20, -1, &error), HF_OK);
    expect_log(first, 3);
    assert_true(was_noted(CPUS "/cpufreq/boost"));
    hf_driver_cpufreq.close(opened);
    /* the other switch, which works the other way round; and not enough even so */
    tear_down(NULL);
    set_up(NULL);
    policy(0, "0 1", 800000, 3200000, 3200000, "powersave");
    script_set(fake.script, CPUS "/intel_pstate/no_turbo", "1");
    fake.boost_max_khz = 3400000;
    opened = open_it();
    assert_int_equal(apply(opened, 20, -1, &error), HF_E_REFUSED);
    assert_non_null(strstr(error.message, "3500.00 MHz is more than the firmware allows, 3400.00 MHz"));
    assert_int_equal(number_of(CPUS "/intel_pstate/no_turbo"), 0);
    assert_int_equal(number_of(CPUS "/cpufreq/policy0/scaling_max_freq"), 3200000);
    hf_driver_cpufreq.close(opened);
}

static void test_refusals(void **state)
{
    (void)state;
    policy(0, "0 1", 800000, 3400000, 3400000, "powersave");
    refuses(HF_E_REFUSED,
            "group A: the profile's highest ratio is 3500.00 MHz, and the firmware allows 3400.00 MHz");
    policy(0, "0 1 2", 800000, 4600000, 4600000, "powersave");
    refuses(HF_E_REFUSED, "policy0 moves CPUs of the groups A and B together");
    policy(0, "0", 800000, 4600000, 4600000, "powersave");
    refuses(HF_E_MISSING, "group A: no policy of the kernel controls the clock of CPU 1");
    policy(0, "0 1", 800000, 4600000, 4600000, "powersave");
    script_set(fake.script, CPUS "/cpu1/topology/thread_siblings_list", "1,3\n");
    refuses(HF_E_REFUSED, "put both into one group");
    script_remove(fake.script, CPUS "/cpu1");
    policy(0, "0 x", 800000, 4600000, 4600000, "powersave");
    refuses(HF_E_MISSING, "is no list of CPUs");
    policy(0, "0 1", 800000, 4600000, 4600000, "powersave");
    if (access(CPUS "/cpufreq/policy0/scaling_max_freq", W_OK) !=
        0) { /* the right to write is the live machine's */
        fake.host.is_live = 1;
        refuses(HF_E_PERMISSION, "run as root");
        fake.host.is_live = 0;
    }
    script_remove(fake.script, CPUS "/cpufreq");
    refuses(HF_E_MISSING, "this kernel controls no clocks");
    config.host = NULL;
    refuses(HF_E_MISSING, "no machine");
}

static void test_describe(void **state)
{
    int16_t wanted[HF_GROUPS_MAX] = {4, -1};
    struct hf_error error = {0};
    struct hf_text lines;
    void *opened = open_it();

    (void)state;
    hf_text_init(&lines, 65536);
    config.note = NULL;
    assert_int_equal(hf_driver_cpufreq.describe(opened, wanted, &lines, &error), HF_OK);
    assert_string_equal(lines.bytes,
                        "write 3100000   to " CPUS "/cpufreq/policy0/scaling_min_freq (now 800000)\n"
                        "write 3100000   to " CPUS "/cpufreq/policy0/scaling_max_freq (now 4600000)\n");
    assert_int_equal(fake.log_count, 0);
    hf_text_release(&lines);
    hf_driver_cpufreq.close(opened);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_order_up_and_down, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_userspace_governor, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_siblings_get_it_too, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_what_the_kernel_does_not_do, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_nothing_without_a_note, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_boost, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_refusals, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_describe, set_up, tear_down),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
