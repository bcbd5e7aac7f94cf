/*
 * A core with a defect: it fails at any ratio, at a rate of its own that the ratio hardly changes (Hochschild
 * et al. 2021, Dixit et al. 2021, Wang et al. 2023). Such faults say nothing of the group's edge, and must
 * not pull it.
 *
 * Each group is either sound, or has a defect with one of a few rates. The odds of each rate against sound
 * are kept as logarithms and follow every outcome: a fault, where the edge was expected to give lambda faults
 * a second, counts (lambda + r) / lambda; exposure t without one counts exp(-r t). So one fault far below the
 * edge is a surprise, and the second makes a defect of it; faults near the edge never do. What the defect is
 * expected to give (odds x rate) competes for every later fault, as a stranger's rate competes for a reset
 * that names nobody. When a defect has become likely, the group's earlier faults are weighed again with it,
 * and the model that they broke is believed again.
 */
#include <math.h>
#include <string.h>

#include "plan/belief_internal.h"

/* Chance that a group has one: some processors in ten thousand (Wang et al. 2023), cautiously more. */
#define PRIOR_DEFECT    1e-3
#define LOWEST_PER_H    0.02
#define RATE_FACTOR     2.5 /* from one rate to the next: 0.02 to 12 an hour */
#define LIKELY          0.5 /* chance of a defect from which on earlier faults are laid to it */
#define LOG_ODDS_LOWEST (-60.0)

void belief_defect_init(struct belief_defect *defect)
{
    *defect = (struct belief_defect){.cpu = -1};
    for (int r = 0; r < BELIEF_DEFECT_RATES; r++)
        defect->log_odds[r] = log(PRIOR_DEFECT / (1.0 - PRIOR_DEFECT) / BELIEF_DEFECT_RATES);
}

double belief_defect_rate(int r)
{
    return LOWEST_PER_H / 3600.0 * pow(RATE_FACTOR, r);
}

/* Chances of each rate; returns that of any. */
double belief_defect_shares(const struct belief_defect *defect, double ret_shares[BELIEF_DEFECT_RATES])
{
    double sum = 0.0;

    for (int r = 0; r < BELIEF_DEFECT_RATES; r++)
        sum += ret_shares[r] = exp(fmin(defect->log_odds[r], 60.0));
    for (int r = 0; r < BELIEF_DEFECT_RATES; r++)
        ret_shares[r] /= 1.0 + sum;
    return sum / (1.0 + sum);
}

double belief_defect_probability(const struct belief_defect *defect)
{
    double shares[BELIEF_DEFECT_RATES];

    return belief_defect_shares(defect, shares);
}

double belief_defect_expected_per_s(const struct belief_defect *defect)
{
    double shares[BELIEF_DEFECT_RATES], sum = 0.0;

    (void)belief_defect_shares(defect, shares);
    for (int r = 0; r < BELIEF_DEFECT_RATES; r++)
        sum += shares[r] * belief_defect_rate(r);
    return sum;
}

void belief_defect_discount(struct belief_defect *defect, double keep)
{
    struct belief_defect fresh;

    belief_defect_init(&fresh);
    for (int r = 0; r < BELIEF_DEFECT_RATES; r++)
        defect->log_odds[r] = fresh.log_odds[r] + keep * (defect->log_odds[r] - fresh.log_odds[r]);
    defect->fault_count = 0;
}

/* edge_per_s: what the edge was expected to give at this step, before the outcome was known. */
static void follow(struct belief_defect *defect, double clean_s, int faults, double edge_per_s)
{
    for (int r = 0; r < BELIEF_DEFECT_RATES; r++) {
        double rate = belief_defect_rate(r);

        defect->log_odds[r] += faults * log1p(rate / fmax(edge_per_s, 1e-12)) - rate * clean_s;
        defect->log_odds[r] = fmax(defect->log_odds[r], LOG_ODDS_LOWEST);
    }
}

static void keep_fault(struct belief_defect *defect, const struct posterior_evidence *evidence)
{
    memmove(&defect->fault[1], &defect->fault[0], (BELIEF_DEFECT_FAULTS - 1) * sizeof defect->fault[0]);
    defect->fault[0] = *evidence;
    defect->fault_count += defect->fault_count < BELIEF_DEFECT_FAULTS;
}

/* Earlier faults, with what is known of the defect by now. */
static void weigh_faults_again(struct hf_plan *plan, int group)
{
    struct belief *belief = plan->state;
    struct belief_defect *defect = &belief->group[group].defect;
    double per_s = belief_defect_expected_per_s(defect);

    for (int n = 0; n < defect->fault_count; n++) {
        struct posterior_evidence again = defect->fault[n];

        again.others_per_s = per_s;
        posterior_replace(belief->posterior, group, &defect->fault[n], &again);
        defect->fault[n] = again;
    }
}

int belief_defect_learn(struct hf_plan *plan, const struct plan_outcome *outcome,
                        const struct posterior_evidence *evidence)
{
    struct belief *belief = plan->state;
    struct group_belief *own = &belief->group[outcome->group];
    struct belief_defect *defect = &own->defect;
    int faults = outcome->faults_within + outcome->ended_by_fault;
    int was_likely = belief_defect_probability(defect) > LIKELY;

    follow(defect, outcome->exposure_s, faults,
           faults > 0 ? posterior_expected_rate(belief->posterior, outcome->group, evidence->step) / 60.0
                      : 0.0);
    if (outcome->ended_by_fault)
        keep_fault(defect, evidence);
    if (faults > 0 && outcome->cpu >= 0)
        defect->cpu = outcome->cpu;
    return !was_likely && belief_defect_probability(defect) > LIKELY;
}

void belief_defect_found(struct hf_plan *plan, int group)
{
    struct belief *belief = plan->state;
    struct group_belief *own = &belief->group[group];

    weigh_faults_again(plan, group);
    own->early = own->late = own->spread = 0;
    own->earliest = own->latest = 1.0;
    own->residual_count = 0;
    posterior_set_loose(belief->posterior, group, 0);
}
