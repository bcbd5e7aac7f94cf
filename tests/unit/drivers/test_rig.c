/* The rig driver: settings, faults at the model's rate, boots that survive a kill, sessions that never
 * repeat. */
#include <fcntl.h>
#include <math.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

#include "drivers/drivers.h"

#define GROUPS 4

static const int16_t cpus[GROUPS][4] = {{0, 1, 2, 3}, {4, 5, 6, 7}, {8, 9, 10, 11}, {12, 13, 14, 15}};
static const struct hf_driver_group groups[GROUPS] = {{"ebb", cpus[0], 4, 3, 31, 0},
                                                      {"flood", cpus[1], 4, 3, 31, 0},
                                                      {"neap", cpus[2], 4, 3, 31, 0},
                                                      {"spring", cpus[3], 4, 5, 31, 0}};

static struct fixture {
    char folder[64];
    struct hf_rig_config rig;
    struct hf_driver_config config;
    struct hf_error error;
} f;

static const struct hf_load_slice steady = {
    .load = {.load_class = HF_LOAD_FMA_256, .duty = 1, .period_s = 0, .in_step = 0}, .weight = 1};

/* A simple rig: exactly known rates, no heat and no drift. */
static int make_fixture(void **state)
{
    (void)state;
    memset(&f, 0, sizeof f);
    /* in memory where that is possible: what is tested survives a kill, not a power cut, and syncs are slow
     */
    snprintf(f.folder, sizeof f.folder, "%s/holdfast-rig-XXXXXX",
             access("/dev/shm", W_OK | X_OK) == 0 ? "/dev/shm" : "/tmp");
    if (mkdtemp(f.folder) == NULL)
        return -1;
    hf_rig_config_default(&f.rig);
    f.rig.group_count = GROUPS;
    f.rig.cores_per_group = 4;
    f.rig.step_count = 32;
    f.rig.simple = 1;
    f.rig.chip_sd_mhz = 0;
    f.rig.group_sd_mhz = 0;
    f.rig.seed = 12;
    f.config = (struct hf_driver_config){.group_count = GROUPS,
                                         .groups = groups,
                                         .base_clock_mhz = 100,
                                         .ratio_lowest = f.rig.lowest_mhz / 100,
                                         .ratio_step = 0.25,
                                         .step_count = 32,
                                         .rig = &f.rig,
                                         .run_directory = f.folder,
                                         .clock_factor = 1};
    return 0;
}

static int remove_fixture(void **state)
{
    char path[128];

    (void)state;
    snprintf(path, sizeof path, "%s/rig-boot", f.folder);
    (void)unlink(path);
    snprintf(path, sizeof path, "%s/rig-boot.new", f.folder);
    (void)unlink(path);
    return rmdir(f.folder);
}

static void *open_rig(void)
{
    struct hf_error error = {0};
    void *opened = NULL;

    if (hf_driver_rig.open(&f.config, &opened, &error) != HF_OK)
        fail_msg("%s", error.message);
    return opened;
}

static uint64_t boots(void)
{
    struct hf_error error = {0};
    uint64_t count = 999;

    if (hf_rig_boot_count(f.folder, &count, &error) != HF_OK)
        fail_msg("%s", error.message);
    return count;
}

static void set_all(void *opened, int step)
{
    struct hf_error error = {0};
    enum hf_apply_result result;
    int16_t wanted[GROUPS];
    struct hf_text page;

    for (int g = 0; g < GROUPS; g++)
        wanted[g] = (int16_t)step;
    hf_text_init(&page, 1024);
    assert_int_equal(hf_driver_rig.apply(opened, wanted, &result, &page, &error), HF_OK);
    assert_int_equal(result, HF_APPLY_DONE);
    assert_int_equal(page.size, 0);
    hf_text_release(&page);
}

static int read_back(void *opened, int group)
{
    struct hf_error error = {0};
    int step = -9;

    assert_int_equal(hf_driver_rig.read_back(opened, group, &step, &error), HF_OK);
    return step;
}

static void load_all(void *opened, int count)
{
    struct hf_error error = {0};

    for (int g = 0; g < GROUPS; g++)
        assert_int_equal(hf_driver_rig.load(opened, g, &steady, count, &error), HF_OK);
}

/* --- settings --------------------------------------------------------------------------------------- */

static void test_settings(void **state)
{
    const int16_t wanted[GROUPS] = {-1, 20, -1, 31};
    enum hf_apply_result result;
    void *opened = open_rig();

    (void)state;
    for (int g = 0; g < GROUPS; g++)
        assert_int_equal(read_back(opened, g), groups[g].baseline_step);
    assert_int_equal(hf_driver_rig.apply(opened, wanted, &result, NULL, &f.error), HF_OK);
    assert_int_equal(read_back(opened, 0), 3);
    assert_int_equal(read_back(opened, 1), 20);
    assert_int_equal(read_back(opened, 2), 3);
    assert_int_equal(read_back(opened, 3), 31);
    assert_true(fabs(hf_driver_rig.group_mhz(opened, 1) - (f.rig.lowest_mhz + 20 * f.rig.step_mhz)) < 1e-6);
    assert_true(hf_driver_rig.group_celsius(opened, 1) > 0);
    assert_int_equal(hf_driver_to_baseline(&hf_driver_rig, opened, &f.config, &f.error), HF_OK);
    assert_int_equal(read_back(opened, 3), 5);
    assert_int_equal(hf_driver_rig.read_back(opened, GROUPS, (int[]){0}, &f.error), HF_E_RANGE);
    hf_error_clear(&f.error);
    assert_int_equal(hf_driver_rig.load(opened, -1, &steady, 1, &f.error), HF_E_RANGE);
    hf_driver_rig.close(opened);
    hf_driver_rig.close(NULL);
}

static void test_without_a_rig_section(void **state)
{
    void *opened = NULL;

    (void)state;
    f.config.rig = NULL;
    assert_int_equal(hf_driver_rig.open(&f.config, &opened, &f.error), HF_E_INPUT);
    assert_null(opened);
    hf_error_clear(&f.error);
    f.config.rig = &f.rig;
    f.rig.group_count = 5;
    assert_int_equal(hf_driver_rig.open(&f.config, &opened, &f.error), HF_E_MISMATCH);
    hf_error_clear(&f.error);
    f.rig.group_count = GROUPS;
    f.config.run_directory = "/nonexistent/there";
    assert_int_equal(hf_driver_rig.open(&f.config, &opened, &f.error), HF_E_NOT_FOUND);
    assert_null(opened);
}

static void test_nothing_kept(void **state)
{
    void *opened;

    (void)state;
    f.config.run_directory = NULL;
    opened = open_rig();
    assert_int_equal(hf_driver_rig.boot_count(opened), 0);
    assert_int_equal(hf_driver_rig.reset(opened, &f.error), HF_E_MISSING);
    assert_int_equal(read_back(opened, 0), 3); /* the refused reset changed nothing */
    hf_driver_rig.close(opened);
}

/* --- faults ----------------------------------------------------------------------------------------- */

/* Exponential law, checked from outside: all groups at a step whose true rates are known, some sessions of so
 * many hours, in polls. Poisson counts: within 4 standard deviations for each group and for the whole (normal
 * approximation: 6e-5 each), with fixed seeds. */
static void expect_rate(int step, int sessions, double hours, double poll_s)
{
    struct hf_rig_fault damage[HF_DRIVER_DAMAGE_MAX];
    struct hf_rig *truth;
    double expected[GROUPS];
    double expected_total = 0;
    int by_group[GROUPS] = {0};
    int total = 0;

    assert_int_equal(hf_rig_new(&f.rig, &truth, &f.error), HF_OK);
    for (int g = 0; g < GROUPS; g++) {
        expected[g] = sessions * hours * hf_rig_true_rate_per_hour(truth, g, step, &steady, 1);
        expected_total += expected[g];
    }
    for (int session = 0; session < sessions; session++) {
        void *opened = open_rig();

        set_all(opened, step);
        load_all(opened, 1);
        for (double t = 0; t < hours * 3600; t += poll_s) {
            int count = hf_driver_rig.poll(opened, poll_s, damage);

            for (int i = 0; i < count; i++) {
                assert_in_range(damage[i].group, 0, GROUPS - 1);
                assert_in_range(damage[i].core, 0, 3);
                assert_true(damage[i].kind > HF_DAMAGE_NONE && damage[i].kind <= HF_DAMAGE_RESET);
                assert_true(damage[i].after_s >= 0 && damage[i].after_s <= poll_s);
                by_group[damage[i].group]++;
                total++;
            }
        }
        hf_driver_rig.close(opened);
    }
    print_message("step %d: %d faults, %.1f expected\n", step, total, expected_total);
    assert_true(expected_total > 400);
    assert_true(fabs(total - expected_total) < 4 * sqrt(expected_total));
    for (int g = 0; g < GROUPS; g++)
        assert_true(fabs(by_group[g] - expected[g]) < 4 * sqrt(expected[g]));
    hf_rig_free(truth);
}

static void test_faults_come_at_the_models_rate(void **state)
{
    (void)state;
    expect_rate(22, 4, 1, 0.05); /* at the edge: about one a minute and group */
    expect_rate(20, 6, 20, 1);   /* two steps below: about a twentieth of that */
}

/* Where no two faults share a poll, the driver hands on exactly what the model does: same moments, same
 * cores. */
static void test_polls_are_the_model(void **state)
{
    struct hf_rig_fault damage[HF_DRIVER_DAMAGE_MAX];
    void *opened = open_rig();
    struct hf_rig *model;
    double now = 0;
    double at = 0;
    int seen = 0;

    (void)state;
    assert_int_equal(hf_rig_new(&f.rig, &model, &f.error), HF_OK);
    hf_rig_boot(model, 0);
    for (int g = 0; g < GROUPS; g++) {
        hf_rig_set_step(model, g, 20);
        assert_int_equal(hf_rig_set_load(model, g, &steady, 1, &f.error), HF_OK);
    }
    set_all(opened, 20);
    load_all(opened, 1);
    for (; seen < 30; now += 0.25) {
        int count = hf_driver_rig.poll(opened, 0.25, damage);

        for (int i = 0; i < count; i++, seen++) {
            struct hf_rig_fault fault = {0};

            while (fault.kind == HF_DAMAGE_NONE)
                at += hf_rig_advance(model, 0.25, &fault);
            if (fabs(at - (now + damage[i].after_s)) > 1e-3)
                fail_msg("fault %d: %.6f s by the model, %.6f s by the driver", seen, at,
                         now + damage[i].after_s);
            assert_int_equal(fault.kind, damage[i].kind);
            assert_int_equal(fault.group, damage[i].group);
            assert_int_equal(fault.core, damage[i].core);
            if (fault.kind == HF_DAMAGE_RESET)
                at = now + 0.25; /* the rest of that poll is not played */
        }
    }
    hf_rig_free(model);
    hf_driver_rig.close(opened);
}

static void test_idle_or_low_is_quiet(void **state)
{
    struct hf_rig_fault damage[HF_DRIVER_DAMAGE_MAX];
    void *opened = open_rig();

    (void)state;
    load_all(opened, 1);
    for (int i = 0; i < 1000; i++) /* at baseline, 475 MHz below the edge */
        assert_int_equal(hf_driver_rig.poll(opened, 3.6, damage), 0);
    assert_int_equal(hf_driver_rig.poll(opened, 0, damage), 0);
    set_all(opened, 31);
    load_all(opened, 0);
    for (int i = 0; i < 1000; i++)
        assert_int_equal(hf_driver_rig.poll(opened, 3.6, damage), 0);
    hf_driver_rig.close(opened);
}

/* Far above the edge a poll that covers a minute is full of faults: it stays in bounds and in order, ends at
 * a reset, and tells of each group at most one corrected error and one worse fault. */
static void test_a_storm_is_bounded(void **state)
{
    struct hf_rig_fault damage[HF_DRIVER_DAMAGE_MAX + 1];
    void *opened = open_rig();
    int seen_resets = 0;
    int seen_without = 0;
    int seen_both = 0;

    (void)state;
    set_all(opened, 25);
    load_all(opened, 1);
    for (int round = 0; round < 200; round++) {
        int corrected[GROUPS] = {0};
        int worse[GROUPS] = {0};
        int reset = 0;
        int count;

        memset(damage, 0x5a, sizeof damage);
        count = hf_driver_rig.poll(opened, round % 2 ? 60 : 0.5, damage);
        assert_in_range(count, 0, HF_DRIVER_DAMAGE_MAX);
        assert_int_equal(((unsigned char *)&damage[HF_DRIVER_DAMAGE_MAX])[0],
                         0x5a); /* nothing beyond the end */
        for (int i = 0; i < count; i++) {
            assert_true(i == 0 || damage[i].after_s >= damage[i - 1].after_s);
            assert_false(reset); /* nothing follows a reset */
            reset = damage[i].kind == HF_DAMAGE_RESET;
            corrected[damage[i].group] += damage[i].kind == HF_DAMAGE_CORRECTED;
            worse[damage[i].group] += damage[i].kind > HF_DAMAGE_CORRECTED && !reset;
            worse[damage[i].group] += damage[i].kind == HF_DAMAGE_WRONG_RESULT;
        }
        for (int g = 0; g < GROUPS; g++) {
            assert_true(corrected[g] <= 1);
            assert_true(worse[g] <= 1);
            seen_both += corrected[g] && worse[g];
        }
        seen_resets += reset;
        seen_without += !reset && count > 0;
    }
    print_message("%d polls with a reset, %d without, %d groups with both kinds\n", seen_resets, seen_without,
                  seen_both);
    assert_true(seen_resets > 20 && seen_without > 5);
    assert_true(seen_both > 0); /* a corrected error does not hide what follows it */
    hf_driver_rig.close(opened);
}

/* More groups fail in one poll than fit: the time after the last told fault is made up by the next poll. */
static void test_time_is_made_up(void **state)
{
    struct hf_driver_group many[16];
    struct hf_rig_fault damage[HF_DRIVER_DAMAGE_MAX];
    struct hf_error error = {0};
    int16_t wanted[16];
    enum hf_apply_result result;
    void *opened;
    int seen = 0;

    (void)state;
    for (int g = 0; g < 16; g++) {
        many[g] = groups[0];
        wanted[g] = 22;
    }
    f.rig.group_count = 16;
    f.config.group_count = 16;
    f.config.groups = many;
    opened = open_rig();
    assert_int_equal(hf_driver_rig.apply(opened, wanted, &result, NULL, &error), HF_OK);
    for (int g = 0; g < 16; g++)
        assert_int_equal(hf_driver_rig.load(opened, g, &steady, 1, &error), HF_OK);
    for (int round = 0; round < 200 && seen < 5; round++) {
        int count = hf_driver_rig.poll(opened, 120, damage);

        if (count < HF_DRIVER_DAMAGE_MAX || damage[count - 1].kind == HF_DAMAGE_RESET)
            continue;
        assert_true(hf_driver_rig.poll(opened, 0, damage) > 0);
        seen++;
    }
    assert_int_equal(seen, 5);
    hf_driver_rig.close(opened);
}

/* --- a clock that runs faster than the wall's --- */

#define FAST 200

/* The next fault that is neither corrected nor a reset, within so many seconds: 1 when there was one. A reset
 * ends no session here: the model goes on. */
static int next_told(void *opened, double seconds, struct hf_rig_fault *ret_fault)
{
    struct hf_rig_fault damage[HF_DRIVER_DAMAGE_MAX];

    for (double now = 0; now < seconds; now += 1) {
        int count = hf_driver_rig.poll(opened, 1, damage);

        for (int i = 0; i < count; i++) {
            if (damage[i].kind == HF_DAMAGE_CORRECTED || damage[i].kind == HF_DAMAGE_RESET)
                continue;
            *ret_fault = damage[i];
            return 1;
        }
    }
    return 0;
}

/* A fault takes the wall's time to be noticed: until then, and no longer than 5 s of it, the model stands
 * still. */
static void test_the_model_waits_for_the_judge(void **state)
{
    struct hf_rig_fault first = {0}, fault = {0};
    void *opened;

    (void)state;
    f.config.clock_factor = FAST;
    opened = open_rig();
    set_all(opened, 25);
    load_all(opened, 1);
    assert_true(next_told(opened, 1000, &first));
    assert_true(hf_driver_rig.is_waiting(opened));
    assert_false(next_told(opened, 990, &fault)); /* of 1,000 s; nobody's */
    assert_true(hf_driver_rig.is_waiting(opened));
    assert_true(next_told(opened, 1000, &fault)); /* nobody noticed: it goes on */
    assert_true(hf_driver_rig.is_waiting(opened));
    hf_driver_rig.begin_run(opened, fault.group); /* noticed, and the next trial begins */
    assert_false(hf_driver_rig.is_waiting(opened));
    assert_true(next_told(opened, 100, &fault));
    hf_driver_rig.close(opened);
    f.config.clock_factor = 1;
    opened = open_rig();
    set_all(opened, 25);
    load_all(opened, 1);
    assert_true(next_told(opened, 1000, &first));
    assert_false(hf_driver_rig.is_waiting(opened));
    hf_driver_rig.close(opened);
}

/* Faults of group 0 in so many seconds, each noticed at once. */
static int count_group_0(void *opened, int seconds)
{
    struct hf_rig_fault damage[HF_DRIVER_DAMAGE_MAX];
    int seen = 0;

    for (int i = 0; i < seconds; i++) {
        int count = hf_driver_rig.poll(opened, 1, damage);

        for (int k = 0; k < count; k++) {
            seen += damage[k].group == 0;
            hf_driver_rig.begin_run(opened, damage[k].group);
        }
    }
    return seen;
}

/* Between trials the others' workers idle for a moment of the wall's time, and the rail must not feel it; a
 * group whose workers start is felt at once, but has no faults yet. */
static void test_company_stays_between_trials(void **state)
{
    struct hf_error error = {0};
    int beside_all, beside_lingering, alone, beside_starting;
    void *opened;

    (void)state;
    f.config.clock_factor = FAST;
    f.rig.simple = 0; /* a rail that they share */
    f.rig.frailty_mhz = f.rig.drift_mhz = 0;
    opened = open_rig();
    set_all(opened, 28);
    load_all(opened, 1);
    beside_all = count_group_0(opened, 190);
    for (int g = 1; g < GROUPS; g++)
        assert_int_equal(hf_driver_rig.load(opened, g, NULL, 0, &error), HF_OK);
    beside_lingering = count_group_0(opened, 190); /* 1 s of the wall's time is 200 s */
    (void)count_group_0(opened, 20);
    alone = count_group_0(opened, 190);
    for (int g = 1; g < GROUPS; g++)
        assert_int_equal(hf_driver_rig.prepare(opened, g, &steady, 1, &error), HF_OK);
    beside_starting = count_group_0(opened, 190);
    hf_driver_rig.close(opened);
    print_message(
        "faults of a group in 190 s: %d beside others, %d beside lingering ones, %d alone, %d beside "
        "starting ones\n",
        beside_all, beside_lingering, alone, beside_starting);
    assert_true(beside_all > 3 * alone + 10 && beside_lingering > 3 * alone + 10);
    assert_true(beside_starting > 3 * alone + 10);
}

/* --- streams ---------------------------------------------------------------------------------------- */

#define DRAWS 12

/* Moments of the first faults of a session, as a fingerprint of its draws. */
static void fingerprint(void *opened, double *ret_times)
{
    struct hf_rig_fault damage[HF_DRIVER_DAMAGE_MAX];
    double now = 0;
    int drawn = 0;

    set_all(opened, 22);
    load_all(opened, 1);
    for (; drawn < DRAWS; now += 0.1) {
        int count = hf_driver_rig.poll(opened, 0.1, damage);

        for (int i = 0; i < count && drawn < DRAWS; i++)
            ret_times[drawn++] = now + damage[i].after_s;
    }
}

static void test_no_session_repeats_another(void **state)
{
    double times[9][DRAWS];
    int sessions = 0;

    (void)state;
    for (int boot = 0; boot < 3; boot++) {
        for (int session = 0; session < 3; session++) {
            void *opened = open_rig();

            assert_int_equal(hf_driver_rig.boot_count(opened), boot);
            fingerprint(opened, times[sessions++]);
            if (session == 2)
                assert_int_equal(hf_driver_rig.reset(opened, &f.error), HF_OK);
            hf_driver_rig.close(opened);
        }
    }
    for (int a = 0; a < sessions; a++) {
        for (int b = 0; b < a; b++) {
            int same = 0;

            for (int i = 0; i < DRAWS; i++)
                same += fabs(times[a][i] - times[b][i]) < 1e-9;
            assert_true(same <= 1);
        }
    }
}

static void test_same_history_same_draws(void **state)
{
    double first[DRAWS];
    double second[DRAWS];
    void *opened = open_rig();

    (void)state;
    fingerprint(opened, first);
    hf_driver_rig.close(opened);
    remove_fixture(NULL);
    make_fixture(NULL);
    opened = open_rig();
    fingerprint(opened, second);
    hf_driver_rig.close(opened);
    assert_memory_equal(first, second, sizeof first);
}

/* --- resets ----------------------------------------------------------------------------------------- */

static void test_reset_ends_the_session(void **state)
{
    const int16_t wanted[GROUPS] = {3, 3, 3, 5};
    struct hf_rig_fault damage[HF_DRIVER_DAMAGE_MAX];
    enum hf_apply_result result;
    void *opened = open_rig();
    int step;

    (void)state;
    assert_int_equal(boots(), 0);
    set_all(opened, 30);
    assert_int_equal(hf_driver_rig.reset(opened, &f.error), HF_OK);
    assert_int_equal(boots(), 1);
    assert_int_equal(hf_driver_rig.boot_count(opened), 1);
    assert_int_equal(hf_driver_rig.poll(opened, 3600, damage), 0);
    assert_int_equal(hf_driver_rig.apply(opened, wanted, &result, NULL, &f.error), HF_E_STICKY);
    hf_error_clear(&f.error);
    assert_int_equal(hf_driver_rig.read_back(opened, 0, &step, &f.error), HF_E_STICKY);
    hf_error_clear(&f.error);
    assert_int_equal(hf_driver_rig.reset(opened, &f.error), HF_E_STICKY);
    assert_int_equal(boots(), 1); /* one reset is one reset */
    hf_driver_rig.close(opened);
    opened = open_rig(); /* after the boot every group is at its baseline */
    for (int g = 0; g < GROUPS; g++)
        assert_int_equal(read_back(opened, g), groups[g].baseline_step);
    hf_driver_rig.close(opened);
}

/* A child resets again and again, tells each on a pipe once it is acknowledged, and is killed at some moment.
 * The count on disk is then the last one told, or the one being made. */
static void test_killed_between_resets(void **state)
{
    (void)state;
    for (int round = 0; round < 12; round++) {
        uint64_t before = boots();
        uint64_t told = before;
        uint64_t count;
        int pipes[2];
        pid_t child;

        assert_int_equal(pipe2(pipes, O_CLOEXEC), 0);
        child = fork();
        assert_true(child >= 0);
        if (child == 0) {
            for (;;) {
                struct hf_error error = {0};
                void *opened = NULL;

                if (hf_driver_rig.open(&f.config, &opened, &error) != HF_OK ||
                    hf_driver_rig.reset(opened, &error) != HF_OK)
                    _exit(1);
                count = hf_driver_rig.boot_count(opened);
                hf_driver_rig.close(opened);
                if (write(pipes[1], &count, sizeof count) != sizeof count)
                    _exit(2);
            }
        }
        (void)close(pipes[1]);
        assert_int_equal(read(pipes[0], &told, sizeof told), sizeof told); /* at least one */
        nanosleep(&(struct timespec){.tv_nsec = 1000000L + round * 1700000L}, NULL);
        assert_int_equal(kill(child, SIGKILL), 0);
        assert_int_equal(waitpid(child, NULL, 0), child);
        while (read(pipes[0], &count, sizeof count) == sizeof count)
            told = count;
        (void)close(pipes[0]);
        assert_true(told > before);
        assert_true(boots() == told || boots() == told + 1);
    }
    print_message("%llu resets\n", (unsigned long long)boots());
}

static void write_boot_file(const char *name, const char *content)
{
    char path[128];
    FILE *file;

    snprintf(path, sizeof path, "%s/%s", f.folder, name);
    file = fopen(path, "we");
    assert_non_null(file);
    assert_true(fputs(content, file) >= 0);
    assert_int_equal(fclose(file), 0);
}

static void test_left_over_from_a_crash(void **state)
{
    void *opened;

    (void)state;
    write_boot_file("rig-boot", "{\"boots\":\"7\",\"sessions\":\"2\"}\n");
    write_boot_file("rig-boot.new", "{\"boots\":\"8\",\"ses"); /* killed before the rename */
    assert_int_equal(boots(), 7);
    opened = open_rig();
    assert_int_equal(hf_driver_rig.boot_count(opened), 7);
    assert_int_equal(hf_driver_rig.reset(opened, &f.error), HF_OK);
    hf_driver_rig.close(opened);
    assert_int_equal(boots(), 8);
}

static void test_damaged_boot_file(void **state)
{
    static const char *const contents[] = {"",
                                           "7\n",
                                           "{",
                                           "{\"boots\":\"7\"}",
                                           "{\"boots\":7,\"sessions\":\"1\"}",
                                           "{\"boots\":\"-7\",\"sessions\":\"1\"}",
                                           "{\"boots\":\"7\",\"sessions\":\"1\",\"more\":1}",
                                           "{\"boots\":\"7\",\"boots\":\"8\",\"sessions\":\"1\"}",
                                           "{\"boots\":\"4294967295\",\"sessions\":\"1\"}",
                                           "{\"boots\":\"7\",\"sessions\":\"99999999999999999999\"}"};
    char path[128];

    (void)state;
    for (size_t i = 0; i < sizeof contents / sizeof contents[0]; i++) {
        struct hf_error error = {0};
        uint64_t count = 999;
        void *opened = NULL;

        write_boot_file("rig-boot", contents[i]);
        if (hf_rig_boot_count(f.folder, &count, &error) != HF_E_DAMAGED)
            fail_msg("accepted: %s", contents[i]);
        assert_int_equal(count, 999);
        assert_non_null(strstr(error.message, "rig-boot"));
        hf_error_clear(&error);
        assert_int_equal(hf_driver_rig.open(&f.config, &opened, &error), HF_E_DAMAGED);
        assert_null(opened);
    }
    snprintf(path, sizeof path, "%s/rig-boot", f.folder);
    assert_int_equal(unlink(path), 0);
    assert_int_equal(mkdir(path, 0700), 0);
    assert_int_equal(hf_rig_boot_count(f.folder, &(uint64_t){0}, &f.error), HF_E_DAMAGED);
    assert_int_equal(rmdir(path), 0);
}

static void test_no_room_for_the_next_boot(void **state)
{
    char path[128];
    void *opened = open_rig();

    (void)state;
    /* a folder in the place of the file to be written: the reset cannot become durable, so it does not happen
     */
    snprintf(path, sizeof path, "%s/rig-boot.new", f.folder);
    assert_int_equal(mkdir(path, 0700), 0);
    assert_int_not_equal(hf_driver_rig.reset(opened, &f.error), HF_OK);
    assert_int_equal(hf_driver_rig.boot_count(opened), 0);
    assert_int_equal(read_back(opened, 0), 3);
    assert_int_equal(rmdir(path), 0);
    hf_error_clear(&f.error);
    assert_int_equal(hf_driver_rig.reset(opened, &f.error), HF_OK);
    hf_driver_rig.close(opened);
    assert_int_equal(boots(), 1);
}

/* --- lost settings ---------------------------------------------------------------------------------- */

/* A simple rig keeps its settings, so these tests take the whole model. */
static int loses_settings(void *opened)
{
    struct hf_rig_fault damage[HF_DRIVER_DAMAGE_MAX];
    int lost = 0;

    set_all(opened, 10);
    load_all(opened, 1);
    for (int g = 0; g < GROUPS; g++)
        assert_int_equal(read_back(opened, g), 10); /* it looks right at first */
    for (int i = 0; i < 1200; i++)
        (void)hf_driver_rig.poll(opened, 0.05, damage);
    for (int g = 0; g < GROUPS; g++)
        lost += read_back(opened, g) != 10;
    return lost;
}

static void test_settings_lost_after_a_reset(void **state)
{
    void *opened;

    (void)state;
    f.rig.simple = 0;
    f.rig.setting_lost_share = 1;
    opened = open_rig();
    assert_int_equal(loses_settings(opened), 0); /* only a reset does it */
    assert_int_equal(hf_driver_rig.reset(opened, &f.error), HF_OK);
    hf_driver_rig.close(opened);
    opened = open_rig();
    assert_int_equal(loses_settings(opened), GROUPS);
    assert_int_equal(loses_settings(opened), 0); /* made again, they stay */
    hf_driver_rig.close(opened);
    opened = open_rig(); /* a supervisor that starts again within the boot loses nothing */
    assert_int_equal(loses_settings(opened), 0);
    hf_driver_rig.close(opened);
}

static void test_settings_lost_at_their_share(void **state)
{
    int lost = 0;

    (void)state;
    f.rig.simple = 0;
    f.rig.setting_lost_share = 0.3;
    for (int boot = 0; boot < 60; boot++) {
        void *opened = open_rig();

        lost += loses_settings(opened) > 0;
        assert_int_equal(hf_driver_rig.reset(opened, &f.error), HF_OK);
        hf_driver_rig.close(opened);
    }
    print_message("%d of 60 boots lost their settings, 18 expected\n", lost);
    assert_in_range(lost, 5, 32); /* binomial(59, 0.3): four standard deviations */
}

/* --- run time --------------------------------------------------------------------------------------- */

static void test_catches_up_with_the_run(void **state)
{
    struct timespec begin;
    struct timespec end;
    double seconds;
    void *opened;

    (void)state;
    f.rig.simple = 0;
    f.config.run_time_s = 48 * 3600.0;
    clock_gettime(CLOCK_MONOTONIC, &begin);
    opened = open_rig();
    clock_gettime(CLOCK_MONOTONIC, &end);
    seconds = (double)(end.tv_sec - begin.tv_sec) + (double)(end.tv_nsec - begin.tv_nsec) / 1e9;
    print_message("48 h of run time caught up in %.3f s\n", seconds);
    assert_true(seconds < 5);
    hf_driver_rig.close(opened);
    opened = NULL;
    f.config.run_time_s = -1;
    assert_int_equal(hf_driver_rig.open(&f.config, &opened, &f.error), HF_E_RANGE);
    hf_error_clear(&f.error);
    f.config.run_time_s = NAN;
    assert_int_equal(hf_driver_rig.open(&f.config, &opened, &f.error), HF_E_RANGE);
    assert_null(opened);
}

static void first_faults_at(double run_time_s, int simple, double *ret_times)
{
    void *opened;

    remove_fixture(NULL);
    make_fixture(NULL);
    f.rig.simple = simple;
    f.config.run_time_s = run_time_s;
    opened = open_rig();
    fingerprint(opened, ret_times);
    hf_driver_rig.close(opened);
}

/* The chip's slow drift is what a later session finds changed; a simple rig has none. */
static void test_drift_goes_on(void **state)
{
    double early[DRAWS];
    double late[DRAWS];

    (void)state;
    first_faults_at(0, 0, early);
    first_faults_at(48 * 3600.0, 0, late);
    assert_true(fabs(early[0] - late[0]) > 1e-3);
    first_faults_at(0, 1, early);
    first_faults_at(48 * 3600.0, 1, late);
    for (int i = 0; i < DRAWS; i++)
        assert_true(fabs(early[i] - late[i]) < 1e-3);
}

#define T(name) cmocka_unit_test_setup_teardown(name, make_fixture, remove_fixture)

int main(void)
{
    const struct CMUnitTest tests[] = {
        T(test_settings),
        T(test_without_a_rig_section),
        T(test_nothing_kept),
        T(test_faults_come_at_the_models_rate),
        T(test_polls_are_the_model),
        T(test_idle_or_low_is_quiet),
        T(test_a_storm_is_bounded),
        T(test_time_is_made_up),
        T(test_the_model_waits_for_the_judge),
        T(test_company_stays_between_trials),
        T(test_no_session_repeats_another),
        T(test_same_history_same_draws),
        T(test_reset_ends_the_session),
        T(test_killed_between_resets),
        T(test_left_over_from_a_crash),
        T(test_damaged_boot_file),
        T(test_no_room_for_the_next_boot),
        T(test_settings_lost_after_a_reset),
        T(test_settings_lost_at_their_share),
        T(test_catches_up_with_the_run),
        T(test_drift_goes_on),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
