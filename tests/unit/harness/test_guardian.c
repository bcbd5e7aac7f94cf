/*
 * The guardian on a scripted machine: its watchdog, its kernel settings, what its log and its watchdog say of
 * the boot before, and what the service manager hears. Time is the test's.
 */
#include "unit/machine/scripted_host.h"
#include "unit/record/record_fixture.h"

#include <linux/watchdog.h>
#include <sys/socket.h>
#include <sys/un.h>

#include "harness/supervisor_private.h"

#define SECOND INT64_C(1000000000)
#define KERNEL "/proc/sys/kernel/"

/* --- the watchdog's device ------------------------------------------------------------------------------ */

static struct {
    int open_result; /* 5, or a negative errno */
    int boot_status;
    int pets, closed;
    char last_letter;
} device;

static int device_open(void *context, const char *path)
{
    (void)context;
    (void)path;
    return device.open_result;
}

static int device_control(void *context, int fd, unsigned long request, void *argument)
{
    struct watchdog_info info = {.options = WDIOF_MAGICCLOSE, .identity = "scripted"};

    (void)context;
    assert_int_equal(fd, 5);
    if (request == WDIOC_GETSUPPORT)
        memcpy(argument, &info, sizeof info);
    else if (request == WDIOC_SETTIMEOUT)
        *(int *)argument = 30;
    else if (request == WDIOC_GETBOOTSTATUS)
        *(int *)argument = device.boot_status;
    else if (request == WDIOC_KEEPALIVE)
        device.pets++;
    return 0;
}

static int device_write(void *context, int fd, const char *bytes, uint32_t count)
{
    (void)context;
    (void)fd;
    assert_int_equal(count, 1);
    device.last_letter = bytes[0];
    return 1;
}

static int device_close(void *context, int fd)
{
    (void)context;
    (void)fd;
    device.closed++;
    return 0;
}

static const struct hf_watchdog_device device_ops = {device_open, device_control, device_write, device_close,
                                                     NULL};

/* --- the kernel's log ------------------------------------------------------------------------------------
 */

static const char *const *log_lines; /* records, NULL at the end */

static int log_open(void *context, const char *path)
{
    (void)context;
    return strcmp(path, "/dev/kmsg") == 0 && log_lines != NULL ? 7 : -ENOENT;
}

static int log_read(void *context, int handle, char *bytes, size_t size)
{
    size_t length;

    (void)context;
    assert_int_equal(handle, 7);
    if (*log_lines == NULL)
        return -EAGAIN;
    length = strlen(*log_lines);
    assert_true(length < size);
    memcpy(bytes, *log_lines++, length);
    return (int)length;
}

static void log_close(void *context, int handle)
{
    (void)context;
    (void)handle;
}

static const struct hf_log_ops log_ops = {log_open, log_read, log_close, NULL};

/* --- a supervisor without workers' processes -------------------------------------------------------------
 */

struct bench {
    char directory[PATH_MAX];
    struct hf_profile *profile;
    struct hf_host host;
    struct script *script;
    struct hf_run *run;
    struct hf_supervisor_options options;
    struct hf_director director;
    struct hf_driver_ops driver;
    struct hf_pool pool;
    struct hf_worker worker[2];
    struct hf_supervisor *s;
};

static char said[4096];

static void say(void *context, const char *line)
{
    (void)context;
    (void)snprintf(said + strlen(said), sizeof said - strlen(said), "%s\n", line);
}

static void open_run(struct bench *bench, const char *boot)
{
    struct hf_run_options options = {.profile = bench->profile};
    struct hf_error error = {0};

    options.journal.boot_id = boot;
    options.journal.reserve_bytes = 65536;
    assert_int_equal(hf_run_open(bench->directory, &options, &bench->run, &error), HF_OK);
}

/* CPUs 0 and 4 of heron: groups 0 and 1. */
static void make_supervisor(struct bench *bench, const char *boot)
{
    struct hf_supervisor *s = calloc(1, sizeof *s);

    assert_non_null(s);
    for (int i = 0; i < 2; i++)
        bench->worker[i].place = (struct hf_pool_place){.group = i, .profile_cpu = 4 * i, .real_cpu = 4 * i};
    bench->pool = (struct hf_pool){.worker_count = 2, .worker = bench->worker};
    bench->options = (struct hf_supervisor_options){.run = bench->run,
                                                    .director = &bench->director,
                                                    .driver = &bench->driver,
                                                    .boot_id = boot,
                                                    .guard = 1,
                                                    .host = &bench->host,
                                                    .log = &log_ops,
                                                    .watchdog = &device_ops,
                                                    .say = say};
    s->options = &bench->options;
    s->run = bench->run;
    s->profile = bench->profile;
    s->director = &bench->director;
    s->host = &bench->host;
    s->pool = &bench->pool;
    memcpy(s->boot_before, bench->run->boot_before, sizeof s->boot_before);
    bench->s = s;
}

static void make(struct bench *bench)
{
    struct hf_error error = {0};

    memset(bench, 0, sizeof *bench);
    memset(&device, 0, sizeof device);
    device.open_result = 5;
    log_lines = NULL;
    said[0] = '\0';
    scratch_make(bench->directory);
    assert_int_equal(hf_profile_read(HOLDFAST_SOURCE_DIR "/profiles/heron.json", &bench->profile, &error),
                     HF_OK);
    bench->script = script_new(&bench->host);
    script_set(bench->script, KERNEL "panic", "0\n");
    script_set(bench->script, KERNEL "panic_on_oops", "1\n");
    open_run(bench, BOOT_A);
}

static void begin(struct bench *bench, const char *boot)
{
    make_supervisor(bench, boot);
    if (hf_guardian_begin(bench->s) != HF_OK)
        fail_msg("%s", bench->s->error.message);
    bench->s->phase = HF_PHASE_RUNNING;
}

/* As after a reset: the run is opened by another boot. */
static void another_boot(struct bench *bench)
{
    hf_run_close(bench->run);
    open_run(bench, BOOT_B);
}

static void end(struct bench *bench)
{
    hf_guardian_end(bench->s);
    free(bench->s);
    hf_run_close(bench->run);
    hf_profile_free(bench->profile);
    free(bench->script);
    scratch_remove(bench->directory);
}

static int journal_has(const struct bench *bench, const char *words)
{
    size_t size;
    char *bytes = file_read(bench->directory, "journal.jsonl", &size);
    int found = bytes != NULL && memmem(bytes, size, words, strlen(words)) != NULL;

    free(bytes);
    return found;
}

static void expect_setting(struct bench *bench, const char *file, int64_t value)
{
    int64_t now;

    assert_int_equal(hf_host_integer(&bench->host, file, &now), 0);
    assert_int_equal(now, value);
}

/* Both workers move until `still` is set; then the second stands. */
static void run_for(struct bench *bench, int64_t from_s, int64_t to_s, int still)
{
    for (int64_t tick = from_s * 10; tick < to_s * 10; tick++) {
        int64_t now_ns = tick * (SECOND / 10);

        bench->s->watch[0].progress_ns = now_ns;
        if (!still)
            bench->s->watch[1].progress_ns = now_ns;
        hf_guardian_tick(bench->s, now_ns);
    }
}

/* --- tests ---------------------------------------------------------------------------------------------- */

/* Once when it is opened, then every third of the timeout; not one while a busy worker stands still. */
static void test_pets_only_while_all_move(void **unused)
{
    struct bench bench;

    (void)unused;
    make(&bench);
    begin(&bench, BOOT_A);
    bench.s->running[0] = bench.s->running[1] = 1;
    run_for(&bench, 100, 160, 0);
    assert_in_range(device.pets, 6, 8);
    device.pets = 0;
    run_for(&bench, 160, 180, 1); /* 20 s are allowed */
    assert_in_range(device.pets, 1, 2);
    device.pets = 0;
    run_for(&bench, 181, 300, 1);
    assert_int_equal(device.pets, 0);
    assert_non_null(strstr(said, "the watchdog is left to act"));
    run_for(&bench, 300, 301, 0);
    assert_in_range(device.pets, 1, 1);
    end(&bench);
}

/* A worker that has nothing to do may stand still for as long as it likes. */
static void test_idle_workers_are_no_standstill(void **unused)
{
    struct bench bench;

    (void)unused;
    make(&bench);
    begin(&bench, BOOT_A);
    bench.s->running[0] = 1;
    run_for(&bench, 100, 200, 0);
    device.pets = 0;
    run_for(&bench, 200, 300, 1);
    assert_in_range(device.pets, 9, 11);
    end(&bench);
}

static void test_the_watchdog_is_stopped_at_the_end(void **unused)
{
    struct bench bench;

    (void)unused;
    make(&bench);
    begin(&bench, BOOT_A);
    hf_guardian_end(bench.s);
    assert_int_equal(device.last_letter, 'V');
    assert_int_equal(device.closed, 1);
    end(&bench); /* a second end does nothing */
    assert_int_equal(device.closed, 1);
}

/* A kernel that never stops it: said when it starts, and again when we leave. */
static void test_a_watchdog_without_a_way_out(void **unused)
{
    struct bench bench;

    (void)unused;
    make(&bench);
    script_set(bench.script, "/sys/class/watchdog/watchdog0/nowayout", "1\n");
    begin(&bench, BOOT_A);
    assert_non_null(strstr(said, "and it cannot be stopped again"));
    hf_guardian_end(bench.s);
    assert_int_equal(device.last_letter, 0);
    assert_non_null(strstr(said, "the machine will reset within 30 s"));
    end(&bench);
}

static void test_without_a_watchdog(void **unused)
{
    struct bench bench;

    (void)unused;
    make(&bench);
    device.open_result = -ENOENT;
    begin(&bench, BOOT_A);
    assert_non_null(strstr(said, "no hardware watchdog"));
    run_for(&bench, 100, 200, 0);
    assert_int_equal(device.pets, 0);
    end(&bench);
    assert_int_equal(device.closed, 0);

    make(&bench);
    device.open_result = -EBUSY; /* one owner: systemd's own */
    begin(&bench, BOOT_A);
    assert_non_null(strstr(said, "held by another program"));
    end(&bench);
}

static void test_kernel_settings(void **unused)
{
    struct bench bench;

    (void)unused;
    make(&bench);
    begin(&bench, BOOT_A);
    expect_setting(&bench, KERNEL "panic", 10);
    expect_setting(&bench, KERNEL "panic_on_oops", 1);
    assert_true(
        journal_has(&bench, "\"type\":\"written\",\"data\":{\"file\":\"" KERNEL "panic\",\"old\":\"0\""));
    assert_false(journal_has(&bench, "panic_on_oops")); /* as wanted already */
    hf_guardian_end(bench.s);
    expect_setting(&bench, KERNEL "panic", 0);
    assert_true(journal_has(&bench, "\"type\":\"restored\""));
    end(&bench);
}

/* The watchdog's boot status: in the journal of the boot after it, once, and not in one of the same boot. */
static void test_watchdog_boot_status(void **unused)
{
    struct bench bench;

    (void)unused;
    make(&bench);
    device.boot_status = WDIOF_CARDRESET;
    begin(&bench, BOOT_A);
    assert_false(journal_has(&bench, "boot-report"));
    hf_guardian_end(bench.s);
    free(bench.s);
    another_boot(&bench);
    begin(&bench, BOOT_B);
    assert_true(journal_has(&bench, "\"type\":\"boot-report\",\"data\":{\"source\":\"watchdog\""));
    assert_true(journal_has(&bench, "the last boot was made by the watchdog; boot status 0x20"));
    end(&bench);

    make(&bench); /* the device is systemd's: its status is read beside it */
    device.open_result = -EBUSY;
    script_set(bench.script, "/sys/class/watchdog/watchdog0/bootstatus", "1\n");
    another_boot(&bench);
    begin(&bench, BOOT_B);
    assert_true(journal_has(&bench, "the machine was too hot; boot status 0x1"));
    end(&bench);
}

/* The form of Linux 6.1 after a fatal machine check of CPU 4; its bank survived the reset, and the exception
 * went to all processors, so that CPU 0 has a lesser record. */
static const char *const leftover[] = {
    "6,1,0,-;Linux version 6.1.0\n",
    "0,600,3070000,-;mce: [Hardware Error]: CPU 0: Machine Check: 0 Bank 1: a000000000000000\n",
    "0,601,3070010,-;mce: [Hardware Error]: TSC 0 \n",
    "0,602,3070020,-;mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC 0 microcode 1\n",
    "0,603,3070030,-;mce: [Hardware Error]: CPU 4: Machine Check: 0 Bank 1: be00000000800400\n",
    "0,604,3070040,-;mce: [Hardware Error]: TSC 0 ADDR 12345000 MISC 8c \n",
    "0,605,3070050,-;mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC 4 microcode 1\n",
    NULL};

static void test_the_worst_report_names_the_culprit(void **unused)
{
    struct bench bench;
    int cpu;

    (void)unused;
    make(&bench);
    another_boot(&bench);
    log_lines = leftover;
    begin(&bench, BOOT_B);
    assert_int_equal(hf_guardian_culprit(bench.s, &cpu), 1);
    assert_int_equal(cpu, 4);
    assert_true(journal_has(&bench, "\"type\":\"boot-report\""));
    assert_true(journal_has(&bench, "be00000000800400")); /* with its raw text */
    end(&bench);

    make(&bench); /* the same log in the same boot is this search's own past: nobody is charged twice */
    log_lines = leftover;
    begin(&bench, BOOT_A);
    assert_int_equal(hf_guardian_culprit(bench.s, &cpu), HF_GROUP_NONE);
    assert_false(journal_has(&bench, "boot-report"));
    end(&bench);
}

/* The processor's own word on the last reset (Linux, arch/x86/kernel/cpu/amd.c since 2025); it names nobody.
 */
static const char *const reset_reason[] = {"6,90,1000000,-;x86/amd: Previous system reset reason "
                                           "[0x08000800]: an uncorrected error caused a data fabric sync "
                                           "flood event\n",
                                           NULL};

static void test_the_reset_reason_is_journalled(void **unused)
{
    struct bench bench;
    int cpu;

    (void)unused;
    make(&bench);
    another_boot(&bench);
    log_lines = reset_reason;
    begin(&bench, BOOT_B);
    assert_true(journal_has(&bench, "\"kind\":\"reset-reason\""));
    assert_true(journal_has(&bench, "data fabric sync flood"));
    assert_int_equal(hf_guardian_culprit(bench.s, &cpu), HF_GROUP_NONE);
    end(&bench);
}

static const char *const two_culprits[] = {
    "0,603,3070030,-;mce: [Hardware Error]: CPU 4: Machine Check: 0 Bank 1: be00000000800400\n",
    "0,604,3070040,-;mce: [Hardware Error]: TSC 0 ADDR 12345000 MISC 8c \n",
    "0,605,3070050,-;mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC 4 microcode 1\n",
    "0,606,3070030,-;mce: [Hardware Error]: CPU 0: Machine Check: 0 Bank 1: be00000000800400\n",
    "0,607,3070040,-;mce: [Hardware Error]: TSC 0 ADDR 12345000 MISC 8c \n",
    "0,608,3070050,-;mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC 0 microcode 1\n",
    NULL};

static void test_two_culprits_are_none(void **unused)
{
    struct bench bench;
    int cpu;

    (void)unused;
    make(&bench);
    another_boot(&bench);
    log_lines = two_culprits;
    begin(&bench, BOOT_B);
    assert_int_equal(hf_guardian_culprit(bench.s, &cpu), HF_GROUP_NONE);
    assert_int_equal(cpu, -1);
    end(&bench);
}

#define DUMP "/sys/fs/pstore/dmesg-erst-7001"

static const char dump_of_cpu_4[] =
    "Panic#1 Part1\n"
    "<0>[   40.000001] mce: [Hardware Error]: CPU 4: Machine Check Exception: 5 Bank 1: be00000000800400\n"
    "<0>[   40.000002] mce: [Hardware Error]: TSC 0 ADDR 12345000 MISC 8c \n"
    "<0>[   40.000003] mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC 4 microcode "
    "1\n";

static int culprit_of_next_boot(struct bench *bench, const char *boot)
{
    int culprit;
    int cpu;

    hf_run_close(bench->run);
    open_run(bench, boot);
    begin(bench, boot);
    culprit = hf_guardian_culprit(bench->s, &cpu);
    hf_guardian_end(bench->s);
    free(bench->s);
    bench->s = NULL;
    return culprit;
}

/* A dump of the store tells of one boot's end: the next boot's search reads it, later ones know it. */
static void test_a_dump_is_read_once(void **unused)
{
    struct bench bench;

    (void)unused;
    make(&bench);
    assert_int_equal(culprit_of_next_boot(&bench, BOOT_A), HF_GROUP_NONE);
    script_set(bench.script, DUMP, dump_of_cpu_4);
    assert_int_equal(culprit_of_next_boot(&bench, BOOT_B), 1);
    assert_true(journal_has(&bench, "1 dump(s) of earlier boots in the kernel's store, 1 of them new"));
    assert_int_equal(culprit_of_next_boot(&bench, BOOT_A), HF_GROUP_NONE); /* a third boot: an old story */
    script_set(bench.script, DUMP,
               "Panic#2 Part1\n<0>[    9.1] Kernel panic - not syncing: sysrq triggered crash\n");
    assert_int_equal(culprit_of_next_boot(&bench, BOOT_B), HF_GROUP_NONE);
    assert_true(journal_has(&bench, "sysrq triggered crash")); /* the same name again, but another dump */
    begin(&bench, BOOT_B);
    end(&bench);
}

/* What lay in the store when the run began is no matter of this run. */
static void test_an_old_dump_charges_nobody(void **unused)
{
    struct bench bench;

    (void)unused;
    make(&bench);
    script_set(bench.script, DUMP, dump_of_cpu_4);
    begin(&bench, BOOT_A);
    hf_guardian_end(bench.s);
    free(bench.s);
    assert_int_equal(culprit_of_next_boot(&bench, BOOT_B), HF_GROUP_NONE);
    assert_false(journal_has(&bench, "boot-report"));
    begin(&bench, BOOT_B);
    end(&bench);
}

/* What the service manager hears, and that it hears nothing while a worker stands still. */
static void test_the_service_manager(void **unused)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    struct bench bench;
    char message[512];
    int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    int beats = 0;

    (void)unused;
    make(&bench);
    (void)snprintf(address.sun_path, sizeof address.sun_path, "%.90s/notify", bench.directory);
    assert_int_equal(bind(fd, (struct sockaddr *)&address, sizeof address), 0);
    (void)setenv("NOTIFY_SOCKET", address.sun_path, 1);
    (void)setenv("WATCHDOG_USEC", "60000000", 1);
    (void)unsetenv("WATCHDOG_PID");
    begin(&bench, BOOT_A);
    memset(message, 0, sizeof message);
    assert_true(recv(fd, message, sizeof message - 1, 0) > 0);
    assert_int_equal(strncmp(message, "READY=1\n", 8), 0);
    bench.s->running[1] = 1;
    for (int64_t second = 100; second < 130; second++) {
        run_for(&bench, second, second + 1, 0);
        while (recv(fd, message, sizeof message - 1, 0) > 0)
            beats += strncmp(message, "WATCHDOG=1\n", 11) == 0;
    }
    assert_in_range(beats, 25, 35);
    run_for(&bench, 130, 151, 1);
    while (recv(fd, message, sizeof message - 1, 0) > 0) {
    }
    run_for(&bench, 151, 160, 1);
    assert_true(recv(fd, message, sizeof message - 1, 0) < 0);
    hf_guardian_end(bench.s);
    memset(message, 0, sizeof message);
    assert_true(recv(fd, message, sizeof message - 1, 0) > 0);
    assert_string_equal(message, "STOPPING=1");
    (void)close(fd);
    end(&bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_pets_only_while_all_move),
        cmocka_unit_test(test_idle_workers_are_no_standstill),
        cmocka_unit_test(test_the_watchdog_is_stopped_at_the_end),
        cmocka_unit_test(test_a_watchdog_without_a_way_out),
        cmocka_unit_test(test_without_a_watchdog),
        cmocka_unit_test(test_kernel_settings),
        cmocka_unit_test(test_watchdog_boot_status),
        cmocka_unit_test(test_the_worst_report_names_the_culprit),
        cmocka_unit_test(test_the_reset_reason_is_journalled),
        cmocka_unit_test(test_two_culprits_are_none),
        cmocka_unit_test(test_a_dump_is_read_once),
        cmocka_unit_test(test_an_old_dump_charges_nobody),
        cmocka_unit_test(test_the_service_manager),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
