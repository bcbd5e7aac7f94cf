/*
 * Where the supervisor lives: on a group that is not on trial, or else on the one nearest to its baseline,
 * and it says so. With a simulated processor there is nothing to keep away from.
 */
#include "harness/supervisor_private.h"
#include "holdfast/topology.h"

/* Steps above baseline at which the group works now; 0 when it is idle. */
static int steps_above_baseline(struct hf_supervisor *s, int group)
{
    const struct hf_trial *trial = hf_trial_of_group(s, group);
    int step;

    if (!s->running[group] || trial == NULL)
        return 0;
    step = trial->group == HF_GROUP_ALL ? trial->joint_step[group] : trial->step;
    return step - s->profile->group[group].baseline_step;
}

void hf_supervisor_choose_home(struct hf_supervisor *s)
{
    struct hf_error error = {0};
    int best = 0;

    if (s->options->driver->is_simulated)
        return;
    for (int g = 1; g < s->profile->group_count; g++) {
        if (steps_above_baseline(s, g) < steps_above_baseline(s, best))
            best = g;
    }
    if (s->judge.home_cpu >= 0 && s->home_group == best)
        return;
    s->home_group = best;
    s->judge.home_cpu = s->profile->cpu[s->profile->group[best].cpu_first];
    if (hf_pin_to_cpu(s->judge.home_cpu, &error) != HF_OK)
        hf_supervisor_say(s, "the supervisor cannot move to CPU %d: %s", s->judge.home_cpu, error.message);
    else if (steps_above_baseline(s, best) > 0)
        hf_supervisor_say(s, "every group is on trial: the supervisor works on %s, the one with most room",
                          hf_supervisor_group_name(s, best));
}
