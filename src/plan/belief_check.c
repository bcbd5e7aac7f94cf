/* Does the model hold? A posterior predictive check of every outcome, before it is learned. */
#include <math.h>

#include "plan/belief_internal.h"

#define CHECK_ALPHA 0.005 /* per group and tail: chance to doubt a model that holds */

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
void belief_check_model(struct hf_plan *plan, const struct plan_outcome *outcome, double window_s)
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
        if (own->residual_count < BELIEF_RESIDUALS_MAX && outcome->exposure_s > window_s)
            own->residual[own->residual_count++] = (1.0 - survival) / fmax(by_limit, 1e-300);
    }
    own->early |= own->earliest < share;
    own->late |= own->latest < share;
    own->spread |= spread_is_wrong(own->residual, own->residual_count);
}

int belief_model_holds(const struct group_belief *own)
{
    return !own->early && !own->late && !own->spread;
}
