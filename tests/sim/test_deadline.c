/*
 * search --by HH:MM: from the words to a night that is over in time. Time is an argument everywhere: the
 * wall's clock of the command line, the run time of the plan.
 */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/stat.h>

#include <cmocka.h>

#include "cli/deadline.c"
#include "harness/supervisor_private.h"
#include "holdfast/plan_config.h"
#include "holdfast/rehearse.h"

#define SECOND_NS                               1000000000LL
#define HOUR_S                                  3600.0
#define NIGHTS                                  12
#define assert_near(value, expected, tolerance) assert_true(fabs((value) - (expected)) <= (tolerance))

static void use_zone(const char *zone)
{
    setenv("TZ", zone, 1);
    tzset();
}

/* Seconds from a moment, given in seconds since 1970, to HH:MM. */
static double seconds_to(const char *words, int64_t moment_s)
{
    struct hf_error error = {0};
    double seconds = NAN;

    if (hf_deadline_parse(words, moment_s * SECOND_NS, &seconds, &error) != HF_OK)
        fail_msg("%s", error.message);
    return seconds;
}

/* 1795644900 is 2026-11-25 22:15:00 UTC, 1792879200 is 2026-10-24 22:00 UTC (date -d). */
static void words_become_seconds(void **state)
{
    static const char *const wrong[] = {"", "7", "24:00", "07:60", "07:00x", "-1:00", "seven"};

    (void)state;
    use_zone("UTC0");
    assert_near(seconds_to("07:00", 1795644900), 8.75 * HOUR_S, 0);
    assert_near(seconds_to("22:16", 1795644900), 60, 0);
    assert_near(seconds_to("22:15", 1795644900), 24 * HOUR_S, 0); /* not now: tomorrow */
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct hf_error error = {0};
        double untouched = 12;

        assert_int_equal(hf_deadline_parse(wrong[i], 1795644900 * SECOND_NS, &untouched, &error), HF_E_USAGE);
        assert_near(untouched, 12, 0);
    }
    /* the nights in which clocks change, 7 h from midnight to 07:00 by the clock */
    use_zone("CET-1CEST,M3.5.0,M10.5.0/3");
    assert_near(seconds_to("07:00", 1792879200), 8 * HOUR_S, 0); /* from 00:00 summer time, back */
    assert_near(seconds_to("07:00", 1774738800), 6 * HOUR_S, 0); /* 2026-03-28 23:00 UTC, forward */
    use_zone("UTC0");
}

static struct hf_profile *heron(void)
{
    struct hf_error error = {0};
    struct hf_profile *profile = NULL;

    if (hf_profile_read(HOLDFAST_SOURCE_DIR "/profiles/heron.json", &profile, &error) != HF_OK)
        fail_msg("%s", error.message);
    return profile;
}

/* The deadline is frozen with the run: the next session finds it, asked for again or not, and other nights
 * may come. */
static void the_run_keeps_it(void **state)
{
    char folder[] = "/tmp/holdfast-deadline-XXXXXX", path[128];
    struct hf_profile *first = heron(), *again = heron(), *plain = heron();
    struct hf_error error = {0};

    (void)state;
    assert_non_null(mkdtemp(folder));
    (void)snprintf(path, sizeof path, "%s/profile.json", folder);
    assert_int_equal(hf_deadline_settle(folder, first->soak_s + 300, &first, &error), HF_E_RANGE);
    assert_non_null(strstr(error.message, "4.17 h")); /* the baseline's proof and the soak */
    error = (struct hf_error){0};
    assert_true(isnan(first->deadline_s));
    assert_int_equal(hf_deadline_settle(folder, 5 * HOUR_S, &first, &error), HF_OK);
    assert_near(first->deadline_s, 5 * HOUR_S, 1e-6);
    assert_string_not_equal(first->digest, plain->digest);
    assert_int_equal(hf_text_write_file(&first->document, path, &error), HF_OK);
    assert_int_equal(hf_deadline_settle(folder, 9 * HOUR_S, &again, &error), HF_OK);
    assert_near(again->deadline_s, 5 * HOUR_S, 1e-6);
    assert_string_equal(again->digest, first->digest);
    (void)unlink(path);
    (void)rmdir(folder);
    hf_profile_free(first);
    hf_profile_free(again);
    hf_profile_free(plain);
}

struct kept {
    double deadline_h, latest_h, steps_left;
    int finished;
};

static void keep(void *context, const struct hf_rehearse_night *night)
{
    struct kept *kept = context;

    kept->latest_h = fmax(kept->latest_h, night->hours);
    kept->finished += night->outcome == HF_NIGHT_FINISHED;
}

static void nights(double deadline_h, struct kept *ret_kept)
{
    struct hf_profile *profile = heron();
    struct hf_plan_config plan;
    struct hf_rig_config rig;
    struct hf_rehearse_result result;
    struct hf_error error = {0};
    enum hf_plan_method method;
    struct hf_rehearse_options options = {
        .rigs = NIGHTS, .seed = 1, .plan = &plan, .rig = &rig, .context = ret_kept, .progress = keep};

    assert_int_equal(hf_plan_config_of_profile(profile, NULL, NULL, &plan, &method, &error), HF_OK);
    hf_rig_config_of_profile(profile, &rig);
    hf_profile_free(profile);
    *ret_kept = (struct kept){.deadline_h = deadline_h};
    plan.deadline_s = deadline_h * HOUR_S;
    options.method = method;
    if (hf_rehearse(&options, &result, &error) != HF_OK)
        fail_msg("%s", error.message);
    ret_kept->steps_left = result.steps_left_mean;
    print_message("deadline %.1f h: latest night %.2f h, %d of %d certified, %.2f steps below the limit\n",
                  deadline_h, ret_kept->latest_h, ret_kept->finished, NIGHTS, ret_kept->steps_left);
}

/* Whatever comes, the night is over in time; the earlier, the lower the ratios. */
static void it_is_kept(void **state)
{
    struct kept none, early;

    (void)state;
    nights(0, &none);
    nights(4.5, &early);
    assert_true(none.latest_h > 4.5); /* or nothing is tested */
    assert_true(early.latest_h <= 4.5 + 1e-6);
    assert_true(early.finished >= NIGHTS / 2);
    assert_true(early.steps_left > none.steps_left);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(words_become_seconds),
        cmocka_unit_test(the_run_keeps_it),
        cmocka_unit_test(it_is_kept),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
