#include "harness/sequential.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* --- tallies ----------------------------------------------------------------------------------------- */

static void take_cpu(struct hf_sequential_tally *tally, int cpu)
{
    if (cpu < 0)
        return;
    if (!tally->cpu_known)
        tally->cpu = cpu;
    tally->cpu_known = 1;
    tally->cpu_faults += tally->cpu == cpu;
}

static void take_verdict(struct hf_sequential_tally *tally, const struct hf_event *event)
{
    tally->open_trial = 0;
    tally->open_s = 0;
    tally->last_cause = event->cause;
    if (event->verdict == HF_VERDICT_VOID) {
        tally->voids_in_row++; /* it may have run at another clock: its exposure proves nothing */
        return;
    }
    tally->voids_in_row = 0;
    tally->judged_cause = event->cause;
    tally->served_s += event->exposure_s;
    tally->faults += event->verdict == HF_VERDICT_FAIL;
    if (event->verdict == HF_VERDICT_FAIL)
        take_cpu(tally, event->cpu);
    tally->resets += event->verdict == HF_VERDICT_FAIL && event->cause == HF_CAUSE_MACHINE_RESET;
}

void hf_sequential_tally_observe(struct hf_sequential_tally *tally, int group_count, enum hf_purpose purpose,
                                 const struct hf_event *event)
{
    if (event->type == HF_EVENT_TRIAL_BEGIN) {
        if (event->purpose == purpose && event->group >= 0 && event->group < group_count)
            tally[event->group].open_trial = event->trial;
        return;
    }
    for (int g = 0; g < group_count; g++) {
        if (tally[g].open_trial == 0 || tally[g].open_trial != event->trial)
            continue;
        if (event->type == HF_EVENT_EXPOSURE)
            tally[g].open_s = event->exposure_s;
        else if (event->type == HF_EVENT_VERDICT)
            take_verdict(&tally[g], event);
    }
}

/* --- the rule ---------------------------------------------------------------------------------------- */

enum hf_sequential_state hf_sequential_state(const struct hf_sequential_rule *rule,
                                             const struct hf_sequential_tally *tally)
{
    const double slack_s = 1e-6; /* of sums of exposures */

    if (rule->has_test) {
        if (hf_sequential_judge(&rule->test, tally->faults, tally->served_s) == HF_SEQUENTIAL_REJECT)
            return HF_TEST_REJECTED;
        if (hf_sequential_judge(&rule->test, tally->faults, tally->served_s + rule->credit_s + slack_s) ==
            HF_SEQUENTIAL_ACCEPT)
            return HF_TEST_ACCEPTED;
    }
    if ((rule->faults_max > 0 && tally->faults >= rule->faults_max) ||
        (rule->served_max > 0 && tally->served_s + slack_s >= rule->served_max))
        return HF_TEST_STOPPED;
    return tally->voids_in_row >= HF_SEQUENTIAL_VOIDS_MAX ? HF_TEST_UNDECIDED : HF_TEST_GOING_ON;
}

enum hf_cause hf_sequential_cause(const struct hf_sequential_rule *rule,
                                  const struct hf_sequential_tally *tally)
{
    enum hf_sequential_state state = hf_sequential_state(rule, tally);
    int judged = state == HF_TEST_ACCEPTED || state == HF_TEST_REJECTED || state == HF_TEST_STOPPED;

    return judged && tally->judged_cause != HF_CAUSE_NONE ? tally->judged_cause : tally->last_cause;
}

double hf_sequential_left_s(const struct hf_sequential_rule *rule, const struct hf_sequential_tally *tally)
{
    double left_s = INFINITY;

    if (rule->has_test)
        left_s =
            rule->test.accept_intercept + tally->faults * rule->test.slope - rule->credit_s - tally->served_s;
    if (rule->served_max > 0)
        left_s = fmin(left_s, rule->served_max - tally->served_s);
    assert(isfinite(left_s)); /* a rule without any end is a defect of the caller */
    return left_s;
}

void hf_sequential_claim(double theta0_s, double theta1_s, double alpha, double beta,
                         struct hf_sequential_test *ret_test)
{
    double both = 1 - alpha * beta;

    /* so chosen that (1 - beta')/alpha' = 1/alpha and beta'/(1 - alpha') = beta */
    hf_sequential_init(ret_test, theta0_s, theta1_s, alpha * (1 - beta) / both, beta * (1 - alpha) / both);
}

double hf_sequential_accept_s(double theta1_s, double discrimination, double beta)
{
    return -log(beta) * theta1_s / (1 - 1 / discrimination);
}

double hf_sequential_theta1_s(double accept_s, double discrimination, double beta)
{
    return accept_s * (1 - 1 / discrimination) / -log(beta);
}

/* --- the forecast ------------------------------------------------------------------------------------ */

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;

    return (x > y) - (x < y);
}

/* One test from its start to its end: its exposure. */
static double draw_test(const struct hf_sequential_rule *rule, double theta_s, struct hf_random *random,
                        int *ret_state)
{
    struct hf_sequential_tally tally = {0};
    enum hf_sequential_state state;

    while ((state = hf_sequential_state(rule, &tally)) == HF_TEST_GOING_ON) {
        double left_s = hf_sequential_left_s(rule, &tally);
        double fault_s = theta_s * hf_random_exponential(random);

        tally.faults += fault_s < left_s;
        tally.served_s += fmin(fault_s, left_s);
    }
    *ret_state = (int)state;
    return tally.served_s;
}

void hf_sequential_forecast(const struct hf_sequential_rule *rule, double theta_s, int draws, uint64_t seed,
                            struct hf_sequential_forecast *ret_forecast)
{
    double served_s[HF_FORECAST_DRAWS_MAX];
    struct hf_random random;

    assert(draws >= 2 && draws <= HF_FORECAST_DRAWS_MAX && theta_s > 0);
    memset(ret_forecast, 0, sizeof *ret_forecast);
    hf_random_init(&random, seed, 0x666f726563617374); /* a stream of its own */
    for (int i = 0; i < draws; i++) {
        int state;

        served_s[i] = draw_test(rule, theta_s, &random, &state);
        ret_forecast->states[state]++;
    }
    qsort(served_s, (size_t)draws, sizeof *served_s, compare_doubles);
    ret_forecast->median_s = served_s[draws / 2];
    ret_forecast->p90_s = served_s[draws * 9 / 10];
}

/* --- the director ------------------------------------------------------------------------------------ */

int hf_sequential_director_observe(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct hf_sequential_director *sequential = context;

    (void)error;
    hf_sequential_tally_observe(sequential->tally, sequential->group_count, sequential->purpose, event);
    return HF_OK;
}

static enum hf_sequential_state state_of(const struct hf_sequential_director *sequential, int group)
{
    return hf_sequential_state(&sequential->rule[group], &sequential->tally[group]);
}

int hf_sequential_director_decided(const struct hf_sequential_director *sequential)
{
    int all = 1;

    for (int g = 0; g < sequential->group_count; g++) {
        enum hf_sequential_state state;

        if (!sequential->target[g])
            continue;
        state = state_of(sequential, g);
        if (state == HF_TEST_REJECTED && sequential->stop_at_reject)
            return 1;
        all &= state != HF_TEST_GOING_ON;
    }
    return all;
}

/* Company runs as long as the longest of the targets may. */
static double longest_left_s(const struct hf_sequential_director *sequential)
{
    double longest_s = 1;

    for (int g = 0; g < sequential->group_count; g++) {
        if (sequential->target[g] && state_of(sequential, g) == HF_TEST_GOING_ON)
            longest_s = fmax(longest_s, hf_sequential_left_s(&sequential->rule[g], &sequential->tally[g]));
    }
    return longest_s;
}

static void sequential_propose(void *context, int group, double now_s, struct hf_proposal *ret_proposal)
{
    const struct hf_sequential_director *sequential = context;
    int going_on = sequential->target[group] && state_of(sequential, group) == HF_TEST_GOING_ON;

    (void)now_s;
    *ret_proposal = (struct hf_proposal){.kind = HF_PROPOSAL_WAIT, .group = group};
    if (hf_sequential_director_decided(sequential)) {
        ret_proposal->kind = HF_PROPOSAL_FINISHED;
        (void)snprintf(ret_proposal->reason, sizeof ret_proposal->reason, "decided");
        return;
    }
    if (sequential->step[group] < 0 || sequential->tally[group].open_trial != 0)
        return;
    ret_proposal->kind = HF_PROPOSAL_TRIAL;
    ret_proposal->purpose = sequential->purpose;
    ret_proposal->step = sequential->step[group];
    if (going_on) {
        ret_proposal->limit_s = hf_sequential_left_s(&sequential->rule[group], &sequential->tally[group]);
        (void)snprintf(ret_proposal->reason, sizeof ret_proposal->reason, "judged, %d faults so far",
                       sequential->tally[group].faults);
    } else {
        ret_proposal->limit_s = longest_left_s(sequential);
        (void)snprintf(ret_proposal->reason, sizeof ret_proposal->reason, "company");
    }
}

static void sequential_slice(void *context, uint64_t number, struct hf_slice *ret_slice)
{
    const struct hf_sequential_director *sequential = context;

    if (sequential->replay_mix == NULL) {
        hf_mix_slice(sequential->mix, sequential->seed, number, ret_slice);
        return;
    }
    hf_mix_slice(sequential->replay_mix, sequential->seed, sequential->replay_slice, ret_slice);
    ret_slice->number = number; /* workers and judge tell slices apart by it; the load is the replayed one */
    ret_slice->entry = 0;       /* of a mix that holds nothing else */
}

static int sequential_core_works(void *context, int group, int core)
{
    const struct hf_sequential_director *sequential = context;
    uint32_t cores = sequential->cores[group];

    return cores == 0 || core >= 32 || (cores >> core & 1) != 0;
}

void hf_sequential_director_start(struct hf_sequential_director *sequential, struct hf_director *ret_director)
{
    *ret_director = (struct hf_director){.context = sequential,
                                         .propose = sequential_propose,
                                         .slice = sequential_slice,
                                         .slice_context = sequential,
                                         .core_works = sequential_core_works};
}
