/*
 * Resuming: what an earlier session left open, and how the boot before has ended.
 *
 * An open intent of this boot means the program was stopped: interrupted, void, its clean exposure counts. An
 * open intent of another boot means the machine reset under it. A trial whose setting a person was asked for
 * had no load yet: it stays open and is adopted (trials.c).
 *
 * Another boot after a session that ended in good order is a shutdown or restart that somebody wanted.
 * Another boot after one that did not is a reset, also when no trial was open: a machine that resets before
 * its first trial is loaded must not do so all night (HF_FRUITLESS_RESETS).
 */
#include <string.h>

#include "harness/supervisor_private.h"

struct open_intents {
    int count;
    int reset;
    int culprit; /* group that this boot's reports name, or HF_GROUP_NONE */
    int culprit_cpu;
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

/* Who failed: the reports' culprit, or nobody that is known; of a trial of another group nothing was judged.
 */
static struct hf_event verdict_of(const struct open_intents *intents, const struct hf_run_trial *trial)
{
    int named = intents->reset && intents->culprit != HF_GROUP_NONE;
    int spared = named && trial->group != HF_GROUP_ALL && trial->group != intents->culprit;

    return (struct hf_event){
        .type = HF_EVENT_VERDICT,
        .trial = trial->trial,
        .verdict = intents->reset && !spared ? HF_VERDICT_FAIL : HF_VERDICT_VOID,
        .cause = intents->reset ? HF_CAUSE_MACHINE_RESET : HF_CAUSE_INTERRUPTED,
        .exposure_s = trial->exposure_s,
        .blocks = trial->blocks,
        .group = named && !spared ? intents->culprit : HF_GROUP_NONE,
        .cpu = named && !spared ? intents->culprit_cpu : -1,
    };
}

static int settle_one(struct hf_supervisor *s, const struct open_intents *intents,
                      const struct hf_run_trial *trial)
{
    struct hf_event event = verdict_of(intents, trial);

    if (intents->reset && trial->trial > s->reset_trial.trial)
        s->reset_trial = *trial;
    event.time_s = hf_supervisor_now_s(s);
    hf_supervisor_say(s, "trial %llu of %s: %s, %s", (unsigned long long)trial->trial,
                      hf_supervisor_group_name(s, trial->group), hf_verdict_name(event.verdict),
                      hf_cause_name(event.cause));
    return hf_supervisor_emit(s, &event,
                              intents->reset ? "the machine reset under it" : "the program was stopped");
}

static int settle_reset(struct hf_supervisor *s, struct open_intents *intents)
{
    struct hf_event event = {.type = HF_EVENT_RESET, .cpu = -1, .time_s = hf_supervisor_now_s(s)};

    intents->culprit = hf_guardian_culprit(s, &intents->culprit_cpu);
    event.group = intents->culprit;
    if (intents->count == 0)
        hf_supervisor_say(s, "the machine was reset while the search ran, but no trial");
    else if (intents->culprit == HF_GROUP_NONE)
        hf_supervisor_say(s, "the machine was reset while %d trial(s) ran", intents->count);
    else
        hf_supervisor_say(s, "the machine was reset while %d trial(s) ran; its reports name CPU %d, of %s",
                          intents->count, intents->culprit_cpu,
                          hf_supervisor_group_name(s, intents->culprit));
    return hf_supervisor_emit(s, &event, NULL);
}

int hf_resume_is_new_boot(const struct hf_supervisor *s)
{
    return s->boot_before[0] != '\0' && strcmp(s->boot_before, s->options->boot_id) != 0;
}

int hf_resume_settle(struct hf_supervisor *s)
{
    struct open_intents intents = gather(s);
    int new_boot = hf_resume_is_new_boot(s);

    if (new_boot && !s->run->session_was_open && !intents.reset)
        hf_supervisor_note(s,
                           "the machine was started anew after the last session had ended in good order: no "
                           "reset");
    if (new_boot && s->run->session_was_open)
        intents.reset = 1;
    if (intents.count == 0 && !intents.reset)
        return hf_supervisor_commit(s);
    if (intents.reset && settle_reset(s, &intents) != HF_OK)
        return s->error.code;
    for (int i = 0; i < intents.count; i++) {
        if (settle_one(s, &intents, &intents.trial[i]) != HF_OK)
            return s->error.code;
    }
    return hf_supervisor_commit(s);
}
