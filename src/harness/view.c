#include "harness/view.h"

#include "harness/supervisor_private.h"

static const char *doing(const struct hf_supervisor *s, const struct hf_trial *trial, int group)
{
    if (s->profile->group[group].left_out)
        return "left out";
    if (s->settings.out[group])
        return "given up";
    if (s->cooling[group])
        return "cooling";
    if (trial == NULL)
        return "waits";
    return trial->loaded ? hf_purpose_name(trial->purpose) : "settles";
}

static void view_group(const struct hf_supervisor *s, int group, struct hf_view_group *ret_group)
{
    const struct hf_trial *trial = s->joint.open ? &s->joint : s->trial[group].open ? &s->trial[group] : NULL;

    *ret_group = (struct hf_view_group){
        .step = s->profile->group[group].baseline_step,
        .doing = doing(s, trial, group),
        .celsius = hf_watch_celsius(s, group),
    };
    if (trial == NULL)
        return;
    ret_group->step = trial->group == HF_GROUP_ALL ? trial->joint_step[group] : trial->step;
    if (ret_group->step < 0)
        ret_group->step = s->profile->group[group].baseline_step;
    ret_group->done_s = trial->exposure_s;
    ret_group->limit_s = trial->limit_s;
}

void hf_supervisor_view(const struct hf_supervisor *s, struct hf_supervisor_view *ret_view)
{
    ret_view->group_count = s->profile->group_count;
    ret_view->blocks = s->judge.blocks_checked;
    ret_view->now_s = hf_supervisor_now_s(s);
    for (int g = 0; g < s->profile->group_count; g++)
        view_group(s, g, &ret_view->group[g]);
}
