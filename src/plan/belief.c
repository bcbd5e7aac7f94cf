/*
 * Belief: trials where they tell most about the step that holds, per second of the night they cost.
 *
 * What is certified is the limit, theta + ln(claim) / b, days away from anything a night can watch fail. It
 * is reached by extrapolation, so a trial is worth what it takes off the limit's variance. With eta = ln(rate
 * at a step), a trial of that step that would see a fault with probability I (the information a fault time
 * carries, in nats^-2, is exactly that: 1 - e^-u) observes eta with variance 1/I plus the run-to-run shift's,
 * so in the linear (Kalman) approximation it takes  Cov(limit, eta)^2 / (Var eta + 1/I + (b sd)^2)  off
 * Var(limit). Its cost: expected duration, the change of ratio, and P(reset) x what a reset costs all groups.
 * Step and duration are chosen together for the best ratio; the search of a group ends when the best trial no
 * longer pays for itself. While others still search, its time is free and a lesser trial will do.
 *
 * Until a group has failed there is nothing to linearise: short trials upward, at most 3 steps above the
 * highest pass, fewer near where its fellows failed.
 *
 * The choice: the highest step whose limit lies above it with probability `confidence`; then all together
 * lowered, where it helps most, until the joint soak passes with probability SOAK_WANTED.
 */
#include <assert.h>
#include <math.h>
#include <string.h>

#include "base/memory.h"
#include "plan/plan_internal.h"
#include "plan/posterior.h"

#define STEPS_ABOVE_PASS  3
#define ZONES             4 /* of distance above the edge: below, 0 to 2, 2 to 4, above 4 steps of 25 MHz */
#define ZONE_PRIOR_WEIGHT 10.0 /* faults the prior share of resets is worth */
#define SOAK_WANTED       0.85
#define STEP_VALUE        0.22 /* of a soak of search is what one step of ratio is worth: a matter of taste */
#define COMPANY_RATIO                                                                                        \
    0.6 /* value to cost of a trial made only because others still search: its time is free */
#define QUANTILE_Z      1.5   /* steps lost per sd of the limit, with the choice made at 95 % on a grid */
#define PERSON_S        900.0 /* a change of ratio that needs a reboot and a person */
#define BRACKET_S       40.0  /* for a soak of 6 h */
#define BRACKET_SD_MAX  1.6   /* units: above it a group's edge is not bracketed yet */
#define TRIALS_MAX      40
#define RESIDUALS_MAX   64
#define STALL_WINDOW_S  2.0   /* a stall is noticed this late */
#define RECORD_WINDOW_S 5.0   /* a reset's exposure is known up to the last progress record */
#define CHECK_ALPHA     0.005 /* per group and tail: chance to doubt a model that holds */

static const double zone_prior[ZONES] = {0.12, 0.20, 0.35, 0.60}; /* share of resets; engineering judgement */
/* Limits of trials for a soak of 6 h; others scale with the soak. Shorter ones look cheap to a rule that
 * looks one trial ahead, and end in hundreds of them at one step. */
#define DURATIONS 6
static const double durations_s[DURATIONS] = {120, 300, 600, 1200, 1800, 3600};

struct group_belief {
    double theta_median;
    double theta_sd;
    double best_ratio; /* value / cost of the best next trial */
    int best_step;
    double best_limit_s;
    int trials; /* single trials that told something */
    int unnamed_resets;
    int checks;
    int early;       /* 1: a fault came far too early */
    int late;        /* 1: a trial was survived far too long */
    int spread;      /* 1: fault times are not spread as they should be */
    double earliest; /* smallest chance seen of so early a fault */
    double latest;   /* smallest chance seen of so late a one */
    int residual_count;
    double residual[RESIDUALS_MAX]; /* uniform on (0, 1) when the model holds */
};

struct belief {
    struct posterior *posterior;
    double units;                                   /* of 25 MHz in a step */
    double scale;                                   /* of all durations */
    double bin_fault[DURATIONS][POSTERIOR_BINS];    /* P(fault within the limit), by bin of ln(rate) */
    double bin_timed[DURATIONS][POSTERIOR_BINS];    /* of these, the ones that a check can still time */
    double bin_duration[DURATIONS][POSTERIOR_BINS]; /* expected length of such a trial */
    struct group_belief group[HF_GROUPS_MAX];
    double zone_resets[ZONES];
    double zone_faults[ZONES];
};

/* --- resets by distance above the edge --- */

static int zone_of(const struct belief *belief, int group, double step)
{
    double above = (step - belief->group[group].theta_median) * belief->units;

    return above < 0.0 ? 0 : above < 2.0 ? 1 : above < 4.0 ? 2 : 3;
}

static double reset_share(const struct belief *belief, int group, double step)
{
    int zone = zone_of(belief, group, step);

    return (zone_prior[zone] * ZONE_PRIOR_WEIGHT + belief->zone_resets[zone]) /
           (ZONE_PRIOR_WEIGHT + belief->zone_faults[zone]);
}

static void count_fault(struct belief *belief, int group, int step, double weight, int reset)
{
    int zone = zone_of(belief, group, step);

    belief->zone_faults[zone] += weight;
    belief->zone_resets[zone] += reset ? weight : 0.0;
}

/* --- does the model hold? --- */

static double uniform_distance(const double *values, int count)
{
    double largest = 0.0;

    for (int i = 0; i < count; i++) {
        int below = 0;
        int at_most = 0;

        for (int k = 0; k < count; k++) {
            below += values[k] < values[i];
            at_most += values[k] <= values[i];
        }
        largest = fmax(largest, fmax(fabs((double)at_most / count - values[i]),
                                     fabs(values[i] - (double)below / count)));
    }
    return largest;
}

/* Kolmogorov-Smirnov with Stephens' 1974 correction for small samples; 1.73 is the 0.5 % point. */
static int spread_is_wrong(const double *values, int count)
{
    double root = sqrt(count);

    return count >= 6 && (root + 0.12 + 0.11 / root) * uniform_distance(values, count) > 1.73;
}

/*
 * What the belief gave this outcome before it knew: under the model the chance of a fault this early is
 * uniform, whatever is still unknown (Dawid 1984). The smallest of n such chances is judged at 1 - (1 -
 * alpha)^(1/n) (Sidak). Fault times, given that they came before the trial's limit, are uniform as well:
 * their spread is tested.
 */
static void check_model(struct hf_plan *plan, const struct plan_outcome *outcome, double window_s)
{
    struct belief *belief = plan->state;
    struct group_belief *own = &belief->group[outcome->group];
    double served_s = outcome->exposure_s + (outcome->ended_by_fault ? 0.5 * window_s : 0.0);
    double survival = posterior_predict_survival(belief->posterior, outcome->group, outcome->step, served_s);
    double share;

    if (outcome->faults_within > 0)
        return;
    own->checks++;
    share = 1.0 - pow(1.0 - CHECK_ALPHA, 1.0 / own->checks);
    own->latest = fmin(own->latest, survival);
    if (outcome->ended_by_fault) {
        double by_limit = 1.0 - posterior_predict_survival(belief->posterior, outcome->group, outcome->step,
                                                           fmax(outcome->limit_s, served_s));

        own->earliest = fmin(own->earliest, 1.0 - survival);
        if (own->residual_count < RESIDUALS_MAX && outcome->exposure_s > window_s)
            own->residual[own->residual_count++] = (1.0 - survival) / fmax(by_limit, 1e-300);
    }
    own->early |= own->earliest < share;
    own->late |= own->latest < share;
    own->spread |= spread_is_wrong(own->residual, own->residual_count);
}

static int model_holds(const struct group_belief *own)
{
    return !own->early && !own->late && !own->spread;
}

/* --- learning --- */

static double window_of(const struct hf_plan *plan, enum hf_cause cause)
{
    if (cause == HF_CAUSE_STALL)
        return fmax(plan->config.check_period_s, STALL_WINDOW_S);
    return plan->config.check_period_s;
}

/* Records come as often as results are checked when that is rarer than every 5 s (a rig whose clock runs
 * fast). */
static double record_window_s(const struct hf_plan *plan)
{
    return fmax(RECORD_WINDOW_S, 1.5 * plan->config.check_period_s);
}

static struct posterior_evidence evidence_of(const struct hf_plan *plan, const struct plan_outcome *outcome)
{
    struct posterior_evidence evidence = {
        .step = outcome->step,
        .clean_s = outcome->exposure_s,
        .faults_within = outcome->faults_within,
    };

    if (!outcome->ended_by_fault)
        return evidence;
    if (outcome->cause == HF_CAUSE_MACHINE_RESET) { /* exposure is the last record's: it came after that */
        evidence.window_s = record_window_s(plan);
        return evidence;
    }
    evidence.window_s = window_of(plan, outcome->cause);
    evidence.clean_s = fmax(outcome->exposure_s - evidence.window_s, 0.0);
    return evidence;
}

static void learn_named(struct hf_plan *plan, const struct plan_outcome *outcome)
{
    struct belief *belief = plan->state;
    struct posterior_evidence evidence = evidence_of(plan, outcome);
    int g = outcome->group;

    if (outcome->exposure_s <= 0.0 && !outcome->ended_by_fault)
        return;
    check_model(plan, outcome, evidence.window_s);
    if (!model_holds(&belief->group[g]))
        posterior_set_loose(belief->posterior, g);
    posterior_add(belief->posterior, g, &evidence);
    if (outcome->ended_by_fault)
        count_fault(belief, g, outcome->step, 1.0, outcome->cause == HF_CAUSE_MACHINE_RESET);
}

/*
 * Product of exp(-lambda_h t_h) times the sum of the reset rates. First everybody's survival; then each
 * group's marginal over the others: lambda + their expected rate, weighed by the share of their faults that
 * are resets.
 */
static void learn_unnamed(struct hf_plan *plan, const struct plan_outcome *outcomes, int count)
{
    struct belief *belief = plan->state;
    double rate[HF_GROUPS_MAX];
    double total = 0.0;

    for (int i = 0; i < count; i++) {
        struct posterior_evidence survived = evidence_of(plan, &outcomes[i]);

        posterior_add(belief->posterior, outcomes[i].group, &survived);
    }
    posterior_refresh(belief->posterior);
    for (int i = 0; i < count; i++) {
        int g = outcomes[i].group;

        rate[i] = posterior_expected_rate(belief->posterior, g, outcomes[i].step) / 60.0 *
                  reset_share(belief, g, outcomes[i].step);
        total += rate[i];
    }
    for (int i = 0; i < count; i++) {
        struct posterior_evidence survived = evidence_of(plan, &outcomes[i]);
        struct posterior_evidence reset = survived;
        int g = outcomes[i].group;

        reset.window_s = record_window_s(plan);
        reset.others_per_s = (total - rate[i]) / reset_share(belief, g, outcomes[i].step);
        posterior_replace(belief->posterior, g, &survived, &reset);
        belief->group[g].unnamed_resets++;
        count_fault(belief, g, outcomes[i].step, total > 0.0 ? rate[i] / total : 0.0, 1);
    }
}

/* --- the next trial --- */

/* A fault sooner than the first check is seen, but not timed: it tells next to nothing of a rate that is
 * known to be high anyway. Without this a fast clock of the rig makes ratios far above the edge look like
 * bargains. */
static void fill_bins(struct belief *belief, double check_period_s)
{
    for (int d = 0; d < DURATIONS; d++) {
        for (int n = 0; n < POSTERIOR_BINS; n++) {
            double rate = exp(posterior_bin_log_rate(n)) / 60.0;

            belief->bin_fault[d][n] = -expm1(-rate * durations_s[d] * belief->scale);
            belief->bin_timed[d][n] =
                fmax(exp(-rate * check_period_s) - exp(-rate * durations_s[d] * belief->scale), 0.0);
            belief->bin_duration[d][n] = belief->bin_fault[d][n] / rate;
        }
    }
}

static double expectation(const double *probability, const double *value)
{
    double sum = 0.0;

    for (int n = 0; n < POSTERIOR_BINS; n++)
        sum += probability[n] * value[n];
    return sum;
}

static double change_cost_s(const struct hf_plan *plan)
{
    return plan->config.change_needs_person ? fmax(plan->config.apply_cost_s, PERSON_S)
                                            : plan->config.apply_cost_s;
}

static int groups_under_test(const struct hf_plan *plan)
{
    int count = 0;

    for (int g = 0; g < plan->config.group_count; g++)
        count += !plan->config.group[g].left_out;
    return count;
}

/* sd of the limit that a trial would take away, steps, times what a step is worth, seconds of this group. */
static double value_of(const struct hf_plan *plan, const struct posterior_moments *m, double step,
                       double information)
{
    const struct belief *belief = plan->state;
    double k = step - m->theta_mean;
    double shift = m->slope_mean * 0.48 / belief->units;
    double covariance = k * m->limit_slope_covariance - m->limit_intercept_covariance;
    double variance = k * k * m->slope_variance - 2.0 * k * m->slope_intercept_covariance +
                      m->intercept_variance + 1.0 / fmax(information, 1e-6) + shift * shift;
    double gain = fmin(covariance * covariance / variance, 0.99 * m->limit_variance);
    double less = sqrt(m->limit_variance) - sqrt(m->limit_variance - gain);

    return QUANTILE_Z * less * STEP_VALUE * plan->config.soak_s;
}

static int reachable_step(const struct hf_plan *plan, int group)
{
    int highest = plan->group[group].highest_pass;
    int ceiling = plan->config.group[group].highest_step;

    if (highest < plan->config.group[group].baseline_step)
        highest = plan->config.group[group].baseline_step;
    return highest + STEPS_ABOVE_PASS < ceiling ? highest + STEPS_ABOVE_PASS : ceiling;
}

static void consider_step(struct hf_plan *plan, int group, int step, const struct posterior_moments *moments)
{
    struct belief *belief = plan->state;
    struct group_belief *own = &belief->group[group];
    double reset_s = reset_share(belief, group, step) * plan->config.reset_cost_s * groups_under_test(plan);
    double probability[POSTERIOR_BINS];

    posterior_rate_bins(belief->posterior, group, step, probability);
    for (int d = 0; d < DURATIONS; d++) {
        double fault = expectation(probability, belief->bin_fault[d]);
        double timed = expectation(probability, belief->bin_timed[d]);
        double cost =
            expectation(probability, belief->bin_duration[d]) + change_cost_s(plan) + fault * reset_s;
        double ratio = value_of(plan, moments, step, timed) / cost;

        if (ratio <= own->best_ratio)
            continue;
        own->best_ratio = ratio;
        own->best_step = step;
        own->best_limit_s = durations_s[d] * belief->scale;
    }
}

static void find_best_trial(struct hf_plan *plan, int group)
{
    struct belief *belief = plan->state;
    struct group_belief *own = &belief->group[group];
    int top = reachable_step(plan, group);
    int bottom = plan->config.group[group].baseline_step + 1;
    struct posterior_moments moments;

    own->best_ratio = 0.0;
    own->best_step = plan->group[group].chosen;
    own->best_limit_s = PLAN_HOLD_MIN_S * belief->scale;
    posterior_moments(belief->posterior, group, &moments);
    for (int step = top; step >= bottom && step > top - 16; step--)
        consider_step(plan, group, step, &moments);
}

static int is_bracketed(const struct hf_plan *plan, int group)
{
    const struct belief *belief = plan->state;
    const struct plan_group *own = &plan->group[group];

    if (own->failures > 0 || own->highest_pass >= plan->config.group[group].highest_step)
        return 1;
    return belief->group[group].unnamed_resets > 0 &&
           belief->group[group].theta_sd * belief->units < BRACKET_SD_MAX;
}

/* Where the groups that are bracketed found their edge, on average; NAN: none yet. */
static double fellows_edge(const struct hf_plan *plan, int group)
{
    const struct belief *belief = plan->state;
    double sum = 0.0;
    int count = 0;

    for (int g = 0; g < plan->config.group_count; g++) {
        if (g == group || !plan_is_searched(plan, g) || plan->group[g].failures == 0)
            continue;
        sum += belief->group[g].theta_median;
        count++;
    }
    return count > 0 ? sum / count : NAN;
}

static int bracket_step(const struct hf_plan *plan, int group)
{
    const struct belief *belief = plan->state;
    int top = reachable_step(plan, group);
    int pass = plan->group[group].highest_pass;
    int step = pass + 2;
    double edge = fellows_edge(plan, group);

    if (pass < plan->config.group[group].baseline_step)
        step = plan->config.group[group].baseline_step + 2;
    if (!isnan(edge) && (step + 1 - edge) * belief->units < -4.0)
        step++;
    if ((!isnan(edge) && (step - edge) * belief->units > -2.0) || belief->group[group].unnamed_resets > 0)
        step--;
    return step < top ? step : top;
}

static int belief_searching(const struct hf_plan *plan, int group)
{
    const struct belief *belief = plan->state;
    const struct group_belief *own = &belief->group[group];

    if (own->trials >= TRIALS_MAX)
        return 0;
    if (!is_bracketed(plan, group))
        return 1;
    if (plan->group[group].chosen >= plan->config.group[group].highest_step)
        return 0;
    return own->best_ratio > 1.0;
}

static void belief_propose(const struct hf_plan *plan, int group, struct hf_proposal *ret_proposal)
{
    const struct belief *belief = plan->state;
    const struct group_belief *own = &belief->group[group];

    if (!is_bracketed(plan, group)) {
        plan_propose_trial(ret_proposal, group, HF_PURPOSE_BRACKET, bracket_step(plan, group),
                           BRACKET_S * belief->scale, "upward: it has not failed yet");
        return;
    }
    plan_propose_trial(ret_proposal, group, HF_PURPOSE_EDGE, own->best_step, own->best_limit_s,
                       "one fault in %.3g min is expected here, which tells most for its cost (%.1f to 1)",
                       exp(-posterior_log_rate_quantile(belief->posterior, group, own->best_step, 0.5)),
                       own->best_ratio);
}

static int belief_company(const struct hf_plan *plan, int group, struct hf_proposal *ret_proposal)
{
    const struct belief *belief = plan->state;
    const struct group_belief *own = &belief->group[group];

    if (own->trials >= TRIALS_MAX || !is_bracketed(plan, group) || own->best_ratio < COMPANY_RATIO)
        return 0;
    belief_propose(plan, group, ret_proposal);
    return 1;
}

/* --- the choice --- */

static int highest_allowed(const struct hf_plan *plan, int group)
{
    const struct hf_plan_group *config = &plan->config.group[group];
    int highest = plan->group[group].highest_pass;

    if (plan->soak_begun && plan->soak.step[group] < highest)
        highest = plan->soak.step[group];
    return highest < config->baseline_step ? config->baseline_step : highest;
}

static int alone(const struct hf_plan *plan, int group)
{
    const struct belief *belief = plan->state;
    int step = highest_allowed(plan, group);

    while (step > plan->config.group[group].baseline_step &&
           posterior_limit_below(belief->posterior, group, step) > 1.0 - plan->config.confidence)
        step--;
    return step;
}

/* ln P(no fault of this group in the soak at step). */
static double log_pass(const struct hf_plan *plan, int group, int step)
{
    const struct belief *belief = plan->state;

    return log(
        fmax(posterior_expected_survival(belief->posterior, group, step, plan->config.soak_s), 1e-300));
}

static int can_lower(const struct hf_plan *plan, int group)
{
    const struct hf_plan_group *config = &plan->config.group[group];

    return !config->left_out && !config->pinned && plan->group[group].chosen > config->baseline_step;
}

/* Lowers one group after another, each time the one that gains the soak most, until it passes often enough.
 */
static void lower_together(struct hf_plan *plan, double *pass, double total)
{
    double gain[HF_GROUPS_MAX];

    for (int g = 0; g < plan->config.group_count; g++)
        gain[g] = can_lower(plan, g) ? log_pass(plan, g, plan->group[g].chosen - 1) - pass[g] : 0.0;
    while (total < log(SOAK_WANTED)) {
        int best = 0;

        for (int g = 1; g < plan->config.group_count; g++)
            best = gain[g] > gain[best] ? g : best;
        if (gain[best] <= 0.0)
            return;
        total += gain[best];
        pass[best] += gain[best];
        plan_choose(plan, best, plan->group[best].chosen - 1);
        gain[best] =
            can_lower(plan, best) ? log_pass(plan, best, plan->group[best].chosen - 1) - pass[best] : 0.0;
    }
}

static void choose_together(struct hf_plan *plan)
{
    double pass[HF_GROUPS_MAX];
    double total = 0.0;

    for (int g = 0; g < plan->config.group_count; g++) {
        pass[g] = 0.0;
        if (plan->config.group[g].left_out)
            continue;
        plan_choose(plan, g, alone(plan, g));
        pass[g] = log_pass(plan, g, plan->group[g].chosen);
        total += pass[g];
    }
    if (total < log(SOAK_WANTED))
        lower_together(plan, pass, total);
}

/* --- the method --- */

static void summarise(struct hf_plan *plan)
{
    struct belief *belief = plan->state;

    posterior_refresh(belief->posterior);
    for (int g = 0; g < plan->config.group_count; g++) {
        struct group_belief *own = &belief->group[g];
        struct posterior_moments moments;

        if (plan->config.group[g].left_out)
            continue;
        posterior_moments(belief->posterior, g, &moments);
        own->theta_median = posterior_theta_quantile(belief->posterior, g, 0.5);
        own->theta_sd = sqrt(moments.theta_variance);
    }
    choose_together(plan);
    for (int g = 0; g < plan->config.group_count; g++) {
        if (plan->trial[g].number == 0 && !plan->soak_begun && plan_is_searched(plan, g) &&
            is_bracketed(plan, g))
            find_best_trial(plan, g); /* groups on trial are asked again when theirs has ended */
    }
}

static void belief_learn(struct hf_plan *plan, const struct plan_outcome *outcomes, int count,
                         int unnamed_reset)
{
    struct belief *belief = plan->state;

    for (int i = 0; i < count; i++)
        belief->group[outcomes[i].group].trials +=
            !hf_purpose_is_joint(outcomes[i].purpose) && outcomes[i].purpose != HF_PURPOSE_HOLD;
    if (unnamed_reset) {
        learn_unnamed(plan, outcomes, count);
    } else {
        for (int i = 0; i < count; i++)
            learn_named(plan, &outcomes[i]);
    }
    summarise(plan);
}

/* The soak is learned already and every choice made anew, none above the set that failed. */
static void belief_soak_failed(struct hf_plan *plan, int indicted)
{
    const struct belief *belief = plan->state;
    double largest = 0.0;
    int suspect = -1;

    if (indicted != HF_GROUP_NONE)
        return; /* history.c sees to it that it is lower than before */
    for (int g = 0; g < plan->config.group_count; g++) {
        double rate;

        if (plan->config.group[g].left_out || plan->config.group[g].pinned)
            continue;
        if (plan->group[g].chosen < plan->soak.step[g])
            return;
        rate = posterior_expected_rate(belief->posterior, g, plan->group[g].chosen);
        if (plan->group[g].chosen > plan->config.group[g].baseline_step && rate > largest) {
            largest = rate;
            suspect = g;
        }
    }
    if (suspect >= 0)
        plan_choose(plan, suspect, plan->group[suspect].chosen - 1);
}

static int belief_init(struct hf_plan *plan, struct hf_error *error)
{
    const struct hf_plan_config *config = &plan->config;
    struct belief *belief = hf_allocate(1, sizeof *belief);
    int low = HF_STEPS_MAX;
    int high = 0;
    int code;

    if (!belief)
        return hf_fail(error, HF_E_MEMORY, "plan: no memory for the belief");
    plan->state = belief;
    belief->units = config->step_mhz / 25.0;
    belief->scale = plan_time_scale(plan);
    fill_bins(belief, plan->config.check_period_s);
    for (int g = 0; g < config->group_count; g++) {
        low = config->group[g].baseline_step < low ? config->group[g].baseline_step : low;
        high = config->group[g].highest_step > high ? config->group[g].highest_step : high;
        belief->group[g].earliest = belief->group[g].latest = 1.0;
    }
    code = posterior_new(config->group_count, low - 2.0 / belief->units, high + 16.0 / belief->units,
                         config->step_mhz, 1.0 / (60.0 * config->claim_hours), &belief->posterior, error);
    if (code < 0)
        return code;
    summarise(plan);
    return 0;
}

static void belief_release(struct hf_plan *plan)
{
    struct belief *belief = plan->state;

    if (!belief)
        return;
    posterior_free(belief->posterior);
    hf_free(belief);
}

/* A searching group's remaining trials, guessed from how far the best of them is from not paying. */
static void belief_time_left(const struct hf_plan *plan, double *ret_median_s, double *ret_p90_s)
{
    const struct belief *belief = plan->state;
    double longest = 0.0;

    for (int g = 0; g < plan->config.group_count; g++) {
        const struct group_belief *own = &belief->group[g];
        double left = 0.09 * plan->config.soak_s;

        if (!plan_is_searching(plan, g))
            continue;
        if (is_bracketed(plan, g))
            left *= fmin(1.0, 0.1 + 0.35 * log(fmax(own->best_ratio, 1.0)));
        longest = fmax(longest, left);
    }
    *ret_median_s = longest;
    *ret_p90_s = 2.0 * longest;
}

static void belief_view(const struct hf_plan *plan, int group, struct hf_plan_view *ret_view)
{
    const struct belief *belief = plan->state;
    const struct posterior *posterior = belief->posterior;
    int step = plan->group[group].chosen;

    ret_view->edge_step_low = posterior_theta_quantile(posterior, group, 0.025);
    ret_view->edge_step_median = posterior_theta_quantile(posterior, group, 0.5);
    ret_view->edge_step_high = posterior_theta_quantile(posterior, group, 0.975);
    ret_view->slope_median = posterior_slope_quantile(posterior, group, 0.5);
    ret_view->rate_at_choice_median_per_hour =
        60.0 * exp(posterior_log_rate_quantile(posterior, group, step, 0.5));
    ret_view->rate_at_choice_upper_per_hour =
        60.0 * exp(posterior_log_rate_quantile(posterior, group, step, 0.95));
    ret_view->model_check_passed = model_holds(&belief->group[group]);
    ret_view->model_check_count = belief->group[group].checks;
}

static int belief_rate_band(const struct hf_plan *plan, int group, int step, double ret_rate_per_hour[3])
{
    static const double quantile[3] = {0.05, 0.5, 0.95};
    const struct belief *belief = plan->state;

    for (int i = 0; i < 3; i++)
        ret_rate_per_hour[i] =
            60.0 * exp(posterior_log_rate_quantile(belief->posterior, group, step, quantile[i]));
    return 1;
}

const struct plan_method plan_method_belief = {
    .name = "belief",
    .init = belief_init,
    .release = belief_release,
    .learn = belief_learn,
    .soak_failed = belief_soak_failed,
    .searching = belief_searching,
    .propose = belief_propose,
    .company = belief_company,
    .time_left = belief_time_left,
    .view = belief_view,
    .rate_band = belief_rate_band,
};
