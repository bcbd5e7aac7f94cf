/*
 * Resuming: what an earlier session left open.
 *
 * An open intent of this boot means the program was stopped: interrupted, void, its clean exposure counts. An
 * open intent of another boot means the machine reset under it. A trial whose setting a person was asked for
 * had no load yet: it stays open and is adopted (trials.c).
 */
#include <string.h>

#include "harness/supervisor_private.h"

struct open_intents {
    int count;
    int reset;
    struct hf_run_trial trial[HF_GROUPS_MAX];
};

static struct open_intents gather(const struct hf_supervisor *s)
{
    const struct hf_run_state *state = &s->run->state;
    struct open_intents intents = {0};

    for (int i = 0; i < s->profile->group_count; i++) {
        const struct hf_run_trial *trial = &state->open[i];

        if (trial->trial == 0 || (trial->requested && !trial->loaded))
            continue;
        intents.trial[intents.count++] = *trial;
        intents.reset |= strcmp(trial->boot, s->options->boot_id) != 0;
    }
    return intents;
}

static int settle_one(struct hf_supervisor *s, const struct hf_run_trial *trial, int reset)
{
    struct hf_event event = {
        .type = HF_EVENT_VERDICT,
        .trial = trial->trial,
        .verdict = reset ? HF_VERDICT_FAIL : HF_VERDICT_VOID,
        .cause = reset ? HF_CAUSE_MACHINE_RESET : HF_CAUSE_INTERRUPTED,
        .exposure_s = trial->exposure_s,
        .blocks = trial->blocks,
        .group = HF_GROUP_NONE,
        .cpu = -1,
        .time_s = hf_supervisor_now_s(s),
    };

    hf_supervisor_say(s, "trial %llu of %s: %s, %s", (unsigned long long)trial->trial,
                      hf_supervisor_group_name(s, trial->group), hf_verdict_name(event.verdict),
                      hf_cause_name(event.cause));
    return hf_supervisor_emit(s, &event, reset ? "the machine reset under it" : "the program was stopped");
}

int hf_resume_settle(struct hf_supervisor *s)
{
    struct open_intents intents = gather(s);

    if (intents.count == 0)
        return HF_OK;
    if (intents.reset) {
        struct hf_event event = {
            .type = HF_EVENT_RESET, .group = HF_GROUP_NONE, .cpu = -1, .time_s = hf_supervisor_now_s(s)};

        hf_supervisor_say(s, "the machine was reset while %d trial(s) ran", intents.count);
        if (hf_supervisor_emit(s, &event, NULL) != HF_OK)
            return s->error.code;
    }
    for (int i = 0; i < intents.count; i++) {
        if (settle_one(s, &intents.trial[i], intents.reset) != HF_OK)
            return s->error.code;
    }
    return hf_supervisor_commit(s);
}
