/*
 * Whole nights in virtual time, three methods on the same rigs: how long, how many resets, how near the
 * limit. Prints the table, then holds the belief to bounds that were measured with room to spare. Rigs: 8
 * groups, 32 to 57 ratios, a fault a week at most, soak of 6 h, resets of 180 s of which 30 % are named.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "unit/plan/simple_rig.h"

#define NIGHTS_MAX 400

struct table_row {
    int nights, groups, finished;
    double hours_median, hours_p90, search_median;
    double above_rate, steps_below, resets, soaks, covered, alarms;
};

static int compare(const void *one, const void *other)
{
    double a = *(const double *)one;
    double b = *(const double *)other;

    return (a > b) - (a < b);
}

static struct table_row run_nights(const struct night_config *config, enum hf_plan_method method, int nights)
{
    static double hours[NIGHTS_MAX], search[NIGHTS_MAX];
    static struct night_rig rig;
    struct table_row row = {.nights = nights, .groups = nights * config->groups};
    double below = 0.0, above = 0.0;

    assert_true(nights <= NIGHTS_MAX);
    for (int n = 0; n < nights; n++) {
        struct night night = {0};
        struct night_result result;

        assert_int_equal(night_run(config, method, (uint64_t)n, &night, &rig, &result), 0);
        hours[n] = result.hours;
        search[n] = result.search_hours;
        above += result.above;
        below += result.below;
        row.finished += result.finished;
        row.resets += (double)result.resets / nights;
        row.soaks += (double)result.soaks / nights;
        row.covered += (double)result.covered / row.groups;
        row.alarms += (double)result.alarms / row.groups;
    }
    qsort(hours, (size_t)nights, sizeof hours[0], compare);
    qsort(search, (size_t)nights, sizeof search[0], compare);
    row.hours_median = hours[nights / 2];
    row.hours_p90 = hours[nights * 9 / 10];
    row.search_median = search[nights / 2];
    row.above_rate = above / row.groups;
    row.steps_below = below / fmax(row.groups - above, 1.0);
    return row;
}

static void print_row(const char *name, const struct table_row *row)
{
    print_message("%-26s %3d nights: median %5.2f h, 90 %% %5.2f, search %5.2f; above the limit %5.2f %%,\n"
                  "    steps below %.2f, resets %.1f, soaks %.2f",
                  name, row->nights, row->hours_median, row->hours_p90, row->search_median,
                  100.0 * row->above_rate, row->steps_below, row->resets, row->soaks);
    if (row->covered > 0.0)
        print_message("; upper bound holds %.1f %%, model doubted %.2f %%", 100.0 * row->covered,
                      100.0 * row->alarms);
    print_message("\n");
}

#ifdef HOLDFAST_SANITIZED
#define SHARE(nights) ((nights)*3 / 4)
#else
#define SHARE(nights) (nights)
#endif

/* The others are here to be compared with; what they cost is the finding, not a promise. */
static void by_hand_methods_certify_bad_settings(void **state)
{
    struct night_config config = night_default;
    struct table_row step_up, bisect;

    (void)state;
    config.seed = 2024;
    step_up = run_nights(&config, HF_METHOD_STEP_UP, SHARE(100));
    bisect = run_nights(&config, HF_METHOD_BISECT, SHARE(100));
    print_row("step-up", &step_up);
    print_row("bisect", &bisect);
    assert_true(step_up.above_rate > 0.3 && bisect.above_rate > 0.3);
    assert_true(step_up.hours_median > 18.0 && bisect.hours_median > 9.0);
}

static void check_belief(const char *name, const struct table_row *row)
{
    /* These rigs have no shared rail and a slope spread of 10 %, not what the belief takes for given: it must
     * stand that. The rig model's own nights are in docs/performance.md. Widened by three standard errors. */
    const double groups = row->groups;

    print_row(name, row);
    assert_int_equal(row->finished, row->nights);
    assert_true(row->above_rate <= 0.03 + 3.0 * sqrt(0.03 * 0.97 / groups));
    assert_true(row->hours_median <= 1.25 * 6.0);
    assert_true(row->hours_p90 <= 1.6 * 6.0);
    assert_true(row->steps_below <= 2.1);
    assert_true(row->resets <= 1.5 * 8.0);
    assert_true(row->covered >= 0.90 - 3.0 * sqrt(0.10 * 0.90 / groups));
    assert_true(row->alarms <= 0.02 + 3.0 * sqrt(0.02 * 0.98 / groups));
}

static void belief_keeps_its_bounds(void **state)
{
    struct night_config config = night_default;
    struct table_row row;

    (void)state;
    config.seed = 2024;
    row = run_nights(&config, HF_METHOD_BELIEF, SHARE(120));
    check_belief("belief, plain rigs", &row);
    config.shift_sd = 0.48;
    row = run_nights(&config, HF_METHOD_BELIEF, SHARE(120));
    check_belief("belief, run-to-run shift", &row);
    config.named_share = 0.0;
    config.slope_sd_chip = 0.35;
    row = run_nights(&config, HF_METHOD_BELIEF, SHARE(120));
    check_belief("belief, wide, none named", &row);
}

/* The detector must be able to fail: group 0 has a defect that faults once in half an hour at any ratio. It
 * was doubted in 16 of 24 such nights (a sound group in 1 of 100); no such night may end with a proof. */
static void model_check_finds_a_flat_defect(void **state)
{
    struct night_config config = night_default;
    static struct night_rig rig;
    int nights = SHARE(16), found = 0, others = 0, proved = 0;

    (void)state;
    config.seed = 31;
    config.flat_per_hour = 2.0;
    config.baseline_s = 60.0; /* a long baseline proof would find it at once */
    for (int n = 0; n < nights; n++) {
        struct night night = {0};
        struct night_result result;

        assert_int_equal(night_run(&config, HF_METHOD_BELIEF, (uint64_t)n, &night, &rig, &result), 0);
        found += result.first_alarmed;
        others += result.alarms - result.first_alarmed;
        proved += result.finished;
    }
    print_message("flat defect: doubted in %d of %d nights (others: %d of %d), %d nights proved\n", found,
                  nights, others, 7 * nights, proved);
    assert_true(found >= nights * 2 / 5);
    assert_true(others <= 7 * nights / 25 + 1);
    assert_true(proved <= 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(by_hand_methods_certify_bad_settings),
        cmocka_unit_test(belief_keeps_its_bounds),
        cmocka_unit_test(model_check_finds_a_flat_defect),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
