/*
 * The next trial: where it tells most about the limits, per second of the night that it costs.
 *
 * What is certified is the limit, theta + ln(claim) / b, days away from anything a night can watch fail. It
 * is reached by extrapolation, so a trial is worth what it takes off the limits' spread. Let eta be ln(rate
 * at a step). With probability I = 1 - e^-u (which is also the information, in nats^-2, of a trial whose
 * fault time is recorded) the trial ends in a fault and so observes eta with variance 1 plus the run-to-run
 * shift's. In the linear (Kalman 1960) approximation it takes  I Cov(X, eta)^2 / (Var eta + 1 + (b sd)^2) off
 * the variance of any X: of the group's own limit, and of ln B, the slope that all groups share. What comes
 * off Var(ln B) comes off every other group's limit in proportion to (Cov(limit, ln B) / Var(ln B))^2.
 *
 * Cost: expected duration, the change of ratio, and P(reset) x what a reset costs all groups. Step and
 * duration are chosen together for the best ratio of value to cost.
 *
 * Expectations over eta, which is close to normal: five points of Gauss and Hermite, functions of
 * u = ln(rate x duration) from a table.
 */
#include <assert.h>
#include <math.h>

#include "base/memory.h"
#include "plan/belief_internal.h"

#define STEPS_ABOVE_PASS 3
#define STEPS_LOOKED_AT  20
#define QUANTILE_Z       1.65  /* steps lost per sd of the limit, with the choice made at 95 % */
#define STEP_VALUE       0.24  /* of a soak of search is what one step of ratio is worth: a matter of taste */
#define ETA_MAX          2.5   /* nats: an edge passed that far is a reset and tells little */
#define RESET_SILENCE    0.3   /* what a reset tells less than another fault: most name nobody */
#define FREE_TIME        0.3   /* what its own time counts for a group that only keeps others company */
#define PERSON_S         900.0 /* a change of ratio that needs a reboot and a person */
#define TABLE_LOW        (-14.0)
#define TABLE_PER_NAT    8
#define TABLE_SIZE       (22 * TABLE_PER_NAT + 2)

/* Limits of trials for a soak of 6 h; others scale with the soak. The short one only helps to find an edge
 * that is not known yet: later it looks cheap to a rule that looks one trial ahead, and ends in hundreds of
 * them at one step. */
#define SHORT_SD_MIN 1.0 /* units */
#define DURATIONS    6
static const double durations_s[DURATIONS] = {40, 120, 300, 600, 1200, 2400};

#define NODES 5
static const double node[NODES] = {-2.8569700138728056, -1.3556261799742659, 0.0, 1.3556261799742659,
                                   2.8569700138728056};
static const double node_weight[NODES] = {0.011257411327720689, 0.22207592200561264, 0.53333333333333333,
                                          0.22207592200561264, 0.011257411327720689};

struct belief_tables {
    double log_duration[DURATIONS]; /* minutes */
    double log_check;               /* minutes */
    double fault[TABLE_SIZE];       /* 1 - exp(-e^u) */
    double served[TABLE_SIZE];      /* (1 - exp(-e^u)) / e^u: expected duration over limit */
};

int belief_tables_new(struct belief *belief, double check_period_s, struct hf_error *error)
{
    struct belief_tables *tables = hf_allocate(1, sizeof *tables);

    if (!tables)
        return hf_fail(error, HF_E_MEMORY, "plan: no memory for the belief's tables");
    for (int d = 0; d < DURATIONS; d++)
        tables->log_duration[d] = log(durations_s[d] * belief->scale / 60.0);
    tables->log_check = log(check_period_s / 60.0);
    for (int i = 0; i < TABLE_SIZE; i++) {
        double expected = exp(TABLE_LOW + (double)i / TABLE_PER_NAT);

        tables->fault[i] = -expm1(-expected);
        tables->served[i] = tables->fault[i] / expected;
    }
    belief->tables = tables;
    return 0;
}

double belief_quantile_z(void)
{
    return QUANTILE_Z;
}

void belief_tables_free(struct belief_tables *tables)
{
    hf_free(tables);
}

static double look_up(const double *table, double u)
{
    double at = (u - TABLE_LOW) * TABLE_PER_NAT;
    int cell;

    if (at <= 0.0)
        return table[0];
    if (at >= TABLE_SIZE - 1)
        return table[TABLE_SIZE - 1];
    cell = (int)at;
    return table[cell] + (at - cell) * (table[cell + 1] - table[cell]);
}

/* What the group's trials would tell: moments at one step. */
struct outlook {
    double mean;     /* of eta */
    double variance; /* of eta, without the shift */
    double shift;    /* variance of the shift, nats^2 */
    double own;      /* Cov(limit, eta) */
    double chip;     /* Cov(ln B, eta) */
};

static void look_out(const struct belief *belief, const struct posterior_moments *m, double step,
                     struct outlook *ret_outlook)
{
    double k = step - m->theta_mean;
    double shift = m->slope_mean * BELIEF_SHIFT_SD / belief->units;

    *ret_outlook = (struct outlook){
        .mean = k * m->slope_mean,
        .variance =
            k * k * m->slope_variance - 2.0 * k * m->slope_intercept_covariance + m->intercept_variance,
        .shift = shift * shift,
        .own = k * m->limit_slope_covariance - m->limit_intercept_covariance,
        .chip = k * m->chip_slope_covariance - m->chip_intercept_covariance,
    };
}

/* Seconds of this group's time that knowing so much more is worth. others: what one unit off Var(ln B) takes
 * off the other groups' sds, in steps. */
static double value_of(const struct hf_plan *plan, const struct posterior_moments *m,
                       const struct outlook *outlook, double information, double others)
{
    double share = information / (fmax(outlook->variance, 0.0) + outlook->shift + 1.0);
    double gain = fmin(outlook->own * outlook->own * share, 0.99 * m->limit_variance);
    double chip = fmin(outlook->chip * outlook->chip * share, 0.99 * m->chip_variance);
    double less = sqrt(m->limit_variance) - sqrt(m->limit_variance - gain) + others * chip;

    return QUANTILE_Z * less * STEP_VALUE * plan->config.soak_s;
}

static double per_unit_of_chip(const struct posterior_moments *m)
{
    double slope = m->chip_limit_covariance / m->chip_variance;

    return slope * slope / (2.0 * sqrt(fmax(m->limit_variance, 1e-6)));
}

static double worth_to_others(const struct hf_plan *plan, int group)
{
    const struct belief *belief = plan->state;
    double sum = 0.0;

    for (int g = 0; g < plan->config.group_count; g++) {
        if (g != group && plan_is_searched(plan, g))
            sum += per_unit_of_chip(&belief->group[g].moments);
    }
    return sum;
}

static double change_cost_s(const struct hf_plan *plan)
{
    return plan->config.change_needs_person ? fmax(plan->config.apply_cost_s, PERSON_S)
                                            : plan->config.apply_cost_s;
}

static void consider(struct trial_choice *choice, double value, double cost, int step, double limit_s)
{
    if (value <= choice->ratio * cost)
        return;
    *choice = (struct trial_choice){.ratio = value / cost, .step = step, .limit_s = limit_s};
}

static void consider_step(struct hf_plan *plan, int group, int step, double others)
{
    struct belief *belief = plan->state;
    struct group_belief *own = &belief->group[group];
    const struct belief_tables *tables = belief->tables;
    double share = belief_reset_share(belief, group, step);
    double reset_s = share * plan->config.reset_cost_s * belief_groups_under_test(plan);
    double told = 1.0 - RESET_SILENCE * share;
    struct outlook outlook;
    double eta[NODES], sd;

    look_out(belief, &own->moments, step, &outlook);
    if (outlook.mean > ETA_MAX)
        return;
    sd = sqrt(fmax(outlook.variance, 0.0) + outlook.shift);
    for (int n = 0; n < NODES; n++)
        eta[n] = outlook.mean + node[n] * sd;
    for (int d = sqrt(own->moments.theta_variance) * belief->units < SHORT_SD_MIN; d < DURATIONS; d++) {
        double limit_s = durations_s[d] * belief->scale;
        double fault = 0.0, untimed = 0.0, served = 0.0, value;

        for (int n = 0; n < NODES; n++) {
            fault += node_weight[n] * look_up(tables->fault, eta[n] + tables->log_duration[d]);
            served += node_weight[n] * look_up(tables->served, eta[n] + tables->log_duration[d]);
            untimed += node_weight[n] * look_up(tables->fault, eta[n] + tables->log_check);
        }
        value = value_of(plan, &own->moments, &outlook, told * (fault - untimed), others);
        consider(&own->best, value, served * limit_s + change_cost_s(plan) + fault * reset_s, step, limit_s);
        consider(&own->company, value, FREE_TIME * (served * limit_s + change_cost_s(plan)) + fault * reset_s,
                 step, limit_s);
    }
}

int belief_reachable_step(const struct hf_plan *plan, int group)
{
    int highest = plan->group[group].highest_pass;
    int ceiling = plan->config.group[group].highest_step;

    if (highest < plan->config.group[group].baseline_step)
        highest = plan->config.group[group].baseline_step;
    if (plan->group[group].short_cap < ceiling)
        ceiling = plan->group[group].short_cap;
    return highest + STEPS_ABOVE_PASS < ceiling ? highest + STEPS_ABOVE_PASS : ceiling;
}

void belief_find_trial(struct hf_plan *plan, int group)
{
    struct belief *belief = plan->state;
    struct group_belief *own = &belief->group[group];
    int top = belief_reachable_step(plan, group);
    int bottom = plan->config.group[group].baseline_step + 1;
    double others = worth_to_others(plan, group);

    own->best = (struct trial_choice){
        .ratio = 0.0, .step = plan->group[group].chosen, .limit_s = PLAN_HOLD_MIN_S * belief->scale};
    own->company = own->best;
    for (int step = top; step >= bottom && step > top - STEPS_LOOKED_AT; step--)
        consider_step(plan, group, step, others);
}
