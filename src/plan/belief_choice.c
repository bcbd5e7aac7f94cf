/*
 * The ratios to soak.
 *
 * Each group: the highest step whose limit lies above it with probability `confidence`, given that the soak
 * will be clean (a certificate is only written if it was). Then all together lowered, where it helps most,
 * until the joint soak passes with probability SOAK_WANTED.
 */
#include <math.h>

#include "plan/belief_internal.h"

#define SOAK_WANTED      0.85
#define DRIFT_SD         0.2 /* units: what the chip drifted while it was searched; engineering judgement */
#define SOAK_SPEAKS_MOST 2.0 /* a risk above so many times the allowed one is not looked at more closely */

static int highest_allowed(const struct hf_plan *plan, int group)
{
    const struct hf_plan_group *config = &plan->config.group[group];
    int highest = plan->group[group].highest_pass;

    if (plan->soak_begun && plan->soak.step[group] < highest)
        highest = plan->soak.step[group];
    if (plan->group[group].short_cap < highest)
        highest = plan->group[group].short_cap;
    return highest < config->baseline_step ? config->baseline_step : highest;
}

/* P(the limit is below step), drift between search and use included: three points of Gauss and Hermite. */
static double limit_below(const struct belief *belief, int group, int step)
{
    double off = 1.7320508075688772 * DRIFT_SD / belief->units;

    return (4.0 * posterior_limit_below(belief->posterior, group, step) +
            posterior_limit_below(belief->posterior, group, step - off) +
            posterior_limit_below(belief->posterior, group, step + off)) /
           6.0;
}

/*
 * P(the limit is below step, if the soak is clean): what the certificate will say of it. A clean soak speaks
 * against rates above the claim, the more the further above.
 */
static double wrong_after_soak(const struct hf_plan *plan, int group, int step, double risk)
{
    const struct belief *belief = plan->state;
    const double log_claim = -log(60.0 * plan->config.claim_hours);
    double probability[POSTERIOR_BINS];
    double wrong = limit_below(belief, group, step);
    double above = 0.0, clean_above = 0.0, clean = 0.0;

    if (wrong <= risk || wrong > SOAK_SPEAKS_MOST * risk)
        return wrong; /* a clean soak would not change on which side it is */
    posterior_rate_bins(belief->posterior, group, step, probability);
    for (int n = 0; n < POSTERIOR_BINS; n++) {
        double log_rate = posterior_bin_log_rate(n);
        double survival = exp(-exp(log_rate) * plan->config.soak_s / 60.0);

        clean += probability[n] * survival;
        if (log_rate > log_claim) {
            above += probability[n];
            clean_above += probability[n] * survival;
        }
    }
    return above > 0.0 ? wrong * clean_above / (above * fmax(clean, 1e-300)) : wrong;
}

/* The highest step that holds its claim at the confidence, sought from the present choice on. */
static int alone(const struct hf_plan *plan, int group)
{
    const double risk = 1.0 - plan->config.confidence;
    int baseline = plan->config.group[group].baseline_step;
    int highest = highest_allowed(plan, group);
    int step = plan->group[group].chosen < highest ? plan->group[group].chosen : highest;

    while (step < highest && wrong_after_soak(plan, group, step + 1, risk) <= risk)
        step++;
    while (step > baseline && wrong_after_soak(plan, group, step, risk) > risk)
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

void belief_choose(struct hf_plan *plan, int together)
{
    double pass[HF_GROUPS_MAX];
    double total = 0.0;

    for (int g = 0; g < plan->config.group_count; g++) {
        pass[g] = 0.0;
        if (plan->config.group[g].left_out)
            continue;
        plan_choose(plan, g, alone(plan, g));
        if (!together)
            continue;
        pass[g] = log_pass(plan, g, plan->group[g].chosen);
        total += pass[g];
    }
    if (total < log(SOAK_WANTED))
        lower_together(plan, pass, total);
}
