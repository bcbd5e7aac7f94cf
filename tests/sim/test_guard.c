/*
 * The guards around a trial: at the temperature limit the load stops, the trial is void and the group must
 * cool before it is tried again; a clock that was not reached, or a setting that is no longer in force, makes
 * a pass void. Just below each limit nothing happens.
 */
#include "sim/scripted.h"

#define HOT_AFTER_S    0.3
#define COOL_DELAY_S   0.6
#define VERDICTS_MAX   8
#define BASELINE_RATIO 32 /* of scripted_profile */

/* What the sensors of this test's machine show. */
static struct {
    double peak_celsius;     /* once loaded for HOT_AFTER_S, until cooled */
    double mhz_share;        /* of the clock asked for */
    int loses_setting, lost; /* in mid-load, and for good */
    int64_t hot_since_ns;
    int cooled;
} machine;

static struct {
    enum hf_verdict verdict[VERDICTS_MAX];
    enum hf_cause cause[VERDICTS_MAX];
    double verdict_s[VERDICTS_MAX], begin_s[VERDICTS_MAX];
    int verdicts, begins;
} seen;

static int64_t now_ns(void)
{
    return hf_clock_monotonic_ns(&hf_clock_real);
}

/* Hot some time after the load began; COOL_DELAY_S after that it is cool again, and stays so. */
static double group_celsius(const void *state, int group)
{
    const struct scripted *s = state;

    if (machine.cooled)
        return 50;
    if (machine.hot_since_ns == 0 && s->loaded[group] && s->loaded_s[group] >= HOT_AFTER_S)
        machine.hot_since_ns = now_ns();
    if (machine.hot_since_ns == 0)
        return 50;
    machine.cooled = (double)(now_ns() - machine.hot_since_ns) * 1e-9 > COOL_DELAY_S;
    return machine.peak_celsius;
}

static double group_mhz(const void *state, int group)
{
    (void)state;
    (void)group;
    return machine.mhz_share * BASELINE_RATIO * 100;
}

static int poll_and_count(void *state, double run_seconds, struct hf_rig_fault *ret_damage)
{
    struct scripted *s = state;

    (void)ret_damage;
    s->loaded_s[0] += s->loaded[0] ? run_seconds : 0;
    machine.lost |= machine.loses_setting && s->loaded_s[0] > 0.2;
    return 0;
}

static int read_back(void *state, int group, int *ret_step, struct hf_error *error)
{
    const struct scripted *s = state;

    (void)error;
    *ret_step = machine.lost ? 0 : s->step[group];
    return HF_OK;
}

static int note(void *context, const struct hf_event *event, struct hf_error *error)
{
    (void)context;
    (void)error;
    if (event->type == HF_EVENT_TRIAL_BEGIN && seen.begins < VERDICTS_MAX)
        seen.begin_s[seen.begins++] = event->time_s;
    if (event->type == HF_EVENT_VERDICT && seen.verdicts < VERDICTS_MAX) {
        seen.verdict[seen.verdicts] = event->verdict;
        seen.cause[seen.verdicts] = event->cause;
        seen.verdict_s[seen.verdicts++] = event->time_s;
    }
    return HF_OK;
}

static void run_one(double celsius, double mhz_share, int loses_setting)
{
    struct scripted_run r = {.visitor = note};
    struct hf_director director;
    struct hf_driver_ops driver = scripted_driver;
    struct hf_supervisor_options options = {
        .director = &director, .driver = &driver, .boot_id = "one-boot", .wall_limit_s = 30};
    struct hf_supervisor_result result;
    struct hf_error error = {0};

    memset(&machine, 0, sizeof machine);
    memset(&seen, 0, sizeof seen);
    scripted = (struct scripted){.cores = 1};
    machine.peak_celsius = celsius;
    machine.mhz_share = mhz_share;
    machine.loses_setting = loses_setting;
    driver.group_celsius = group_celsius;
    driver.group_mhz = group_mhz;
    driver.poll = poll_and_count;
    driver.read_back = read_back;
    scripted_directory(r.directory, sizeof r.directory, "guard");
    r.profile = scripted_profile(1, 1, "quick");
    if (scripted_open_run(&r, "one-boot", NULL, &error) == HF_OK) {
        r.fixed = (struct hf_fixed_director){.mix = &r.mix,
                                             .seed = 1,
                                             .purpose = HF_PURPOSE_VERIFY,
                                             .limit_s = 1,
                                             .group_count = 1,
                                             .target = {1}};
        r.fixed.step[0] = (int16_t)r.profile->group[0].baseline_step;
        r.started = 1;
        hf_fixed_director_start(&r.fixed, &director);
        options.run = r.run;
        options.mix = &r.mix;
        (void)hf_supervisor_run(&options, &result, &error);
        hf_text_release(&result.words);
    }
    if (error.code != HF_OK &&
        !loses_setting) { /* a setting that does not come back is an error at the end */
        fprintf(stderr, "%s\n", error.message);
        exit(1);
    }
    hf_run_close(r.run);
    hf_profile_free(r.profile);
    scripted_remove(r.directory);
}

static int expect(const char *what, int holds)
{
    printf("%-70s %s\n", what, holds ? "yes" : "NO");
    return !holds;
}

static int first_is(enum hf_verdict verdict, enum hf_cause cause)
{
    return seen.verdicts > 0 && seen.verdict[0] == verdict && seen.cause[0] == cause;
}

int main(int argc, char **argv)
{
    int failed = 0;

    scripted_worker_main(argc, argv);
    run_one(95, 1, 0);
    failed |= expect("at the limit of 95 degC the trial is void",
                     first_is(HF_VERDICT_VOID, HF_CAUSE_OVER_TEMPERATURE));
    failed |= expect("it is tried again only when the group has cooled",
                     seen.begins == 2 && seen.begin_s[1] - seen.verdict_s[0] > 0.8 * COOL_DELAY_S);
    failed |= expect("and passes then", seen.verdicts == 2 && seen.verdict[1] == HF_VERDICT_PASS);
    run_one(94, 1, 0);
    failed |= expect("at 94 degC nothing happens", first_is(HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED));
    run_one(50, 0.992, 0);
    failed |= expect("a clock 0.8 % short makes the trial void",
                     first_is(HF_VERDICT_VOID, HF_CAUSE_CLOCK_SHORTFALL));
    run_one(50, 0.994, 0);
    failed |= expect("0.6 % short does not", first_is(HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED));
    run_one(50, 1, 1);
    failed |= expect("a setting lost under load makes the pass void",
                     first_is(HF_VERDICT_VOID, HF_CAUSE_SETTING_LOST));
    return failed;
}
