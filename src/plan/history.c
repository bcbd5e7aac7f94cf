/*
 * The fold of the history.
 *
 * Invariants, checked by check():
 *  1. At most one open trial per group; while a joint trial is open, no other is. open_count counts both
 * kinds.
 *  2. Trial numbers grow; an event's time is never before the last event's.
 *  3. A trial's exposure never shrinks, and is 0 until the trial is loaded.
 *  4. After a reset nothing but the verdicts of the trials it hit may follow (and hardware error records),
 * all with cause machine-reset; they are learned together, when the last one has come.
 *  5. An event that breaks one of these is refused and changes nothing.
 *
 * What is learned from a verdict:
 *   pass                       exposure without a fault; a trial that outlived a hardware error did not pass
 *   fail                       a fault of the indicted group; in a joint trial clean exposure of the others
 *   fail, machine-reset that names nobody    one fault among the trials whose load had begun
 *   void, interrupted          its clean exposure
 *   void, machine-reset        its clean exposure: another group was named
 *   void, setting-lost, of a baseline that names a group    the group is left out from here on
 *   void, other causes         nothing: neither clock nor heat were what they should have been
 * Trials with purpose verify count like any single trial; reproduce runs another load and teaches nothing.
 */
#include <assert.h>
#include <math.h>
#include <string.h>

#include "holdfast/statistics.h"
#include "plan/plan_internal.h"

#define RECORD_GAP_KEPT 0.8 /* of the gap between records, from one to the next shorter one */

static void check(const struct hf_plan *plan)
{
    assert(plan->open_count >= 0 && plan->open_count <= plan->config.group_count);
    assert(plan->joint.number == 0 || plan->open_count == 1);
    assert(plan->outcome_count == 0 || plan->reset_pending);
    assert(plan->soak.passed == 0 || plan->soak_begun);
}

/* --- what is legal --- */

#define REFUSE(...) hf_fail(error, HF_E_MISMATCH, __VA_ARGS__)

static int check_joint_steps(const struct hf_plan *plan, const struct hf_event *event, struct hf_error *error)
{
    for (int g = 0; g < plan->config.group_count; g++) {
        int step = event->joint_step[g];

        if (plan->config.group[g].left_out ? step != -1 : step < 0)
            return REFUSE("trial %llu: group %d has joint step %d, but is %s",
                          (unsigned long long)event->trial, g, step,
                          plan->config.group[g].left_out ? "left out" : "under test");
        if (step > plan->config.group[g].highest_step)
            return REFUSE("trial %llu: group %d at step %d is above its ceiling %d",
                          (unsigned long long)event->trial, g, step, plan->config.group[g].highest_step);
    }
    return 0;
}

static int check_begin(const struct hf_plan *plan, const struct hf_event *event, struct hf_error *error)
{
    unsigned long long number = event->trial;
    int g = event->group;

    if (event->trial <= plan->last_trial)
        return REFUSE("trial %llu begins after trial %llu", number, (unsigned long long)plan->last_trial);
    if ((unsigned)event->purpose >= HF_PURPOSE_COUNT)
        return REFUSE("trial %llu has no known purpose (%d)", number, (int)event->purpose);
    if (!(event->limit_s > 0.0) || !isfinite(event->limit_s))
        return REFUSE("trial %llu has limit %g s, it must be above 0", number, event->limit_s);
    if (plan->joint.number != 0)
        return REFUSE("trial %llu begins while joint trial %llu is open", number,
                      (unsigned long long)plan->joint.number);
    if (hf_purpose_is_joint(event->purpose)) {
        if (g != HF_GROUP_ALL || plan->open_count > 0)
            return REFUSE("joint trial %llu begins for group %d with %d trials open", number, g,
                          plan->open_count);
        return check_joint_steps(plan, event, error);
    }
    if (g < 0 || g >= plan->config.group_count || plan->config.group[g].left_out)
        return REFUSE("trial %llu is of group %d, which is not under test", number, g);
    if (plan->trial[g].number != 0)
        return REFUSE("trial %llu of group %d begins while trial %llu of it is open", number, g,
                      (unsigned long long)plan->trial[g].number);
    if (event->step < 0 || event->step > plan->config.group[g].highest_step)
        return REFUSE("trial %llu: group %d at step %d, allowed is 0 to %d", number, g, event->step,
                      plan->config.group[g].highest_step);
    return 0;
}

/* The open trial of this number; *ret_group is its group, HF_GROUP_ALL for the joint one. NULL: not open. */
static const struct plan_trial *find_trial(const struct hf_plan *plan, uint64_t number, int *ret_group)
{
    if (number == 0)
        return NULL;
    if (plan->joint.number == number) {
        *ret_group = HF_GROUP_ALL;
        return &plan->joint;
    }
    for (int g = 0; g < plan->config.group_count; g++) {
        if (plan->trial[g].number == number) {
            *ret_group = g;
            return &plan->trial[g];
        }
    }
    return NULL;
}

static int check_exposure(const struct plan_trial *trial, const struct hf_event *event,
                          struct hf_error *error)
{
    if (!isfinite(event->exposure_s) || event->exposure_s < trial->exposure_s)
        return REFUSE("trial %llu: exposure went from %g to %g s", (unsigned long long)event->trial,
                      trial->exposure_s, event->exposure_s);
    if (!trial->loaded && event->exposure_s > 0.0)
        return REFUSE("trial %llu: %g s of exposure before its settings were in force",
                      (unsigned long long)event->trial, event->exposure_s);
    return 0;
}

static int check_reset_verdict(const struct hf_plan *plan, const struct hf_event *event, int group,
                               struct hf_error *error)
{
    unsigned long long number = event->trial;
    int named = plan->reset_group;
    int hit = named == HF_GROUP_NONE || group == HF_GROUP_ALL || group == named;

    if (!plan->reset_pending)
        return REFUSE("trial %llu: verdict machine-reset, but no reset was recorded", number);
    if ((event->verdict == HF_VERDICT_FAIL) != hit)
        return REFUSE("trial %llu: verdict %s after a reset that names group %d", number,
                      hf_verdict_name(event->verdict), named);
    if (hit && event->group != named)
        return REFUSE("trial %llu: verdict names group %d, the reset named %d", number, event->group, named);
    return 0;
}

static int check_indicted(const struct hf_plan *plan, const struct hf_event *event, int group,
                          struct hf_error *error)
{
    int indicted = event->group;

    if (group != HF_GROUP_ALL && indicted != group)
        return REFUSE("trial %llu is of group %d, its verdict indicts group %d",
                      (unsigned long long)event->trial, group, indicted);
    if (indicted < 0 || indicted >= plan->config.group_count || plan->config.group[indicted].left_out)
        return REFUSE("trial %llu: its verdict indicts group %d, which is not under test",
                      (unsigned long long)event->trial, indicted);
    return 0;
}

static int check_verdict(const struct hf_plan *plan, const struct hf_event *event, struct hf_error *error)
{
    unsigned long long number = event->trial;
    int group = 0;
    const struct plan_trial *trial = find_trial(plan, event->trial, &group);
    int code;

    if (!trial)
        return REFUSE("verdict for trial %llu, which is not open", number);
    if (!hf_cause_fits(event->verdict, event->cause))
        return REFUSE("trial %llu: verdict %s with cause %s", number, hf_verdict_name(event->verdict),
                      hf_cause_name(event->cause));
    if ((code = check_exposure(trial, event, error)) < 0)
        return code;
    if (event->verdict == HF_VERDICT_PASS && !trial->loaded)
        return REFUSE("trial %llu passed before its settings were in force", number);
    if (event->cause == HF_CAUSE_MACHINE_RESET)
        return check_reset_verdict(plan, event, group, error);
    if (plan->reset_pending)
        return REFUSE("trial %llu: cause %s after a reset", number, hf_cause_name(event->cause));
    if (hf_verdict_leaves_out(trial->purpose, event) &&
        (event->group >= plan->config.group_count || plan->joint_step[event->group] < 0))
        return REFUSE("trial %llu: its verdict leaves out group %d, which was not under test", number,
                      event->group);
    return event->verdict == HF_VERDICT_FAIL ? check_indicted(plan, event, group, error) : 0;
}

static int check_progress(const struct hf_plan *plan, const struct hf_event *event, struct hf_error *error)
{
    int group = 0;
    const struct plan_trial *trial = find_trial(plan, event->trial, &group);

    if (!trial || plan->reset_pending)
        return REFUSE("progress of trial %llu, which is not %s", (unsigned long long)event->trial,
                      trial ? "running: the machine reset" : "open");
    if (event->type == HF_EVENT_TRIAL_LOADED)
        return trial->loaded ? REFUSE("trial %llu is loaded twice", (unsigned long long)event->trial) : 0;
    return check_exposure(trial, event, error);
}

static int check_named_group(const struct hf_plan *plan, const struct hf_event *event, struct hf_error *error)
{
    int is_reset = event->type == HF_EVENT_RESET;

    if (is_reset && plan->reset_pending)
        return REFUSE("a second reset before the verdicts of the first");
    if (is_reset && event->group == HF_GROUP_NONE)
        return 0;
    if (event->group < 0 || event->group >= plan->config.group_count)
        return REFUSE("%s names group %d of %d", is_reset ? "a reset" : "a hardware error", event->group,
                      plan->config.group_count);
    return 0;
}

static int check_event(const struct hf_plan *plan, const struct hf_event *event, struct hf_error *error)
{
    if (!isfinite(event->time_s) || event->time_s < plan->time_s)
        return REFUSE("an event at %g s follows one at %g s", event->time_s, plan->time_s);
    switch (event->type) {
    case HF_EVENT_TRIAL_BEGIN:
        if (plan->reset_pending)
            return REFUSE("trial %llu begins before the verdicts of a reset",
                          (unsigned long long)event->trial);
        return check_begin(plan, event, error);
    case HF_EVENT_TRIAL_LOADED:
    case HF_EVENT_EXPOSURE:
        return check_progress(plan, event, error);
    case HF_EVENT_RESET:
    case HF_EVENT_HARDWARE_ERROR:
        return check_named_group(plan, event, error);
    case HF_EVENT_VERDICT:
        return check_verdict(plan, event, error);
    }
    return REFUSE("unknown event type %d", (int)event->type);
}

/* --- bookkeeping common to all methods --- */

static int is_machine_void(enum hf_cause cause)
{
    return cause == HF_CAUSE_OVER_TEMPERATURE || cause == HF_CAUSE_CLOCK_SHORTFALL ||
           cause == HF_CAUSE_SETTING_LOST || cause == HF_CAUSE_TOO_FEW_BLOCKS;
}

static void count_void(struct hf_plan *plan, int group, enum hf_cause cause)
{
    struct plan_group *own = &plan->group[group];

    if (!is_machine_void(cause) || ++own->voids_in_row < PLAN_VOIDS_MAX || own->left_alone)
        return;
    own->left_alone = 1;
    own->left_alone_cause = cause;
}

/* A clock that fell short will do so again: the group goes no higher than one step below. */
static void cap_short_clock(struct hf_plan *plan, int group, int step)
{
    int *cap = &plan->group[group].short_cap;

    if (step - 1 < *cap)
        *cap = step - 1;
    plan_choose(plan, group, plan->group[group].chosen);
}

/* In a joint trial nobody is named: of those whose clock has fallen short before, the one with least room. */
static void cap_shortest_of_joint(struct hf_plan *plan)
{
    int least = HF_STEPS_MAX, suspect = -1;

    for (int g = 0; g < plan->config.group_count; g++) {
        int room = plan->group[g].short_cap - plan->joint_step[g];

        if (plan->joint_step[g] > plan->config.group[g].baseline_step && !plan->config.group[g].pinned &&
            plan->group[g].short_cap < HF_STEPS_MAX && room < least) {
            least = room;
            suspect = g;
        }
    }
    if (suspect >= 0)
        cap_short_clock(plan, suspect, plan->joint_step[suspect]);
}

static void count_outcome(struct hf_plan *plan, const struct plan_outcome *outcome, int unnamed_reset)
{
    struct plan_group *own = &plan->group[outcome->group];
    int faults = outcome->faults_within + outcome->ended_by_fault;

    own->exposure_s += outcome->exposure_s;
    own->failures += faults;
    if (outcome->verdict != HF_VERDICT_VOID)
        own->voids_in_row = 0;
    if (outcome->cause == HF_CAUSE_MACHINE_RESET && (unnamed_reset || outcome->ended_by_fault))
        own->resets++;
    if (outcome->verdict == HF_VERDICT_PASS && outcome->step > own->highest_pass)
        own->highest_pass = outcome->step;
    if (faults > 0 && (own->lowest_fail < 0 || outcome->step < own->lowest_fail))
        own->lowest_fail = outcome->step;
}

/*
 * Resets in a row with nothing judged between them would park the run, and each costs all groups their time:
 * after the first, the group that is named goes one step of 25 MHz lower than it was (nobody else: the
 * methods learn from it); after the second and each further, whoever may have caused it goes three lower,
 * until something has been judged.
 */
static void back_off_after_reset(struct hf_plan *plan, const struct plan_outcome *outcome)
{
    struct plan_group *own = &plan->group[outcome->group];
    double units = plan->fruitless_resets == 1 ? 1.0 : 3.0;
    int lower = outcome->step - (int)ceil(units * 25.0 / plan->config.step_mhz);

    if (plan->fruitless_resets == 1 && !outcome->ended_by_fault)
        return;
    if (lower < own->reset_cap)
        own->reset_cap = lower;
}

static void note_judged(struct hf_plan *plan)
{
    int resets = 0;

    for (int i = 0; i < plan->outcome_count; i++)
        resets += plan->outcome[i].cause == HF_CAUSE_MACHINE_RESET;
    plan->fruitless_resets += resets > 0;
    for (int i = 0; i < plan->outcome_count; i++) {
        const struct plan_outcome *outcome = &plan->outcome[i];

        if (outcome->verdict == HF_VERDICT_VOID)
            continue;
        if (outcome->cause == HF_CAUSE_MACHINE_RESET) {
            back_off_after_reset(plan, outcome);
        } else {
            plan->fruitless_resets = 0;
            plan->group[outcome->group].reset_cap = HF_STEPS_MAX;
        }
    }
}

/*
 * A reset that names nobody came from a load: trials whose load had not begun yet are no suspects while
 * others run. (Where none had begun, all remain: then it was the change of ratio itself, or the load's very
 * start.)
 */
static void acquit_unloaded(struct hf_plan *plan)
{
    int loaded = 0, kept = 0;

    for (int i = 0; i < plan->outcome_count; i++)
        loaded += plan->outcome[i].loaded;
    for (int i = 0; i < plan->outcome_count && loaded > 0; i++) {
        if (plan->outcome[i].loaded)
            plan->outcome[kept++] = plan->outcome[i];
    }
    if (loaded > 0)
        plan->outcome_count = kept;
}

static void learn(struct hf_plan *plan, int unnamed_reset)
{
    if (plan->outcome_count == 0)
        return;
    note_judged(plan); /* whoever was hit goes lower */
    if (unnamed_reset)
        acquit_unloaded(plan);
    for (int i = 0; i < plan->outcome_count; i++)
        count_outcome(plan, &plan->outcome[i], unnamed_reset);
    plan->method->learn(plan, plan->outcome, plan->outcome_count, unnamed_reset);
    plan->outcome_count = 0;
}

/* The sums up to an event: who was under load at which step. */
static void add_load(struct hf_plan *plan, double seconds)
{
    for (int g = 0; g < plan->config.group_count; g++) {
        int joint = plan->joint.number != 0 && plan->joint.loaded && plan->joint_step[g] >= 0;

        if (!joint && (plan->trial[g].number == 0 || !plan->trial[g].loaded))
            continue;
        plan->step_sum_s += seconds * (joint ? plan->joint_step[g] : plan->trial[g].step);
        plan->load_sum_s += seconds;
    }
}

/* Mean step of the loaded others since the trial was loaded. */
static double others_step(const struct hf_plan *plan, const struct plan_trial *trial, int step)
{
    double own_s = plan->time_s - trial->loaded_s;
    double load_s = plan->load_sum_s - trial->load_sum_s - own_s;

    if (!trial->loaded || load_s < 0.01 * own_s || load_s <= 0.0)
        return NAN;
    return (plan->step_sum_s - trial->step_sum_s - own_s * step) / load_s;
}

/*
 * Records come late on a machine that is busy, and with a clock that runs 200 times faster that is minutes.
 * What a reset took with it is what lies between two records as they came of late, and no more than the time
 * since the last one. A rehearsal (events without a sequence number) tells its records in one go: there they
 * come on time.
 */
static void note_record(struct hf_plan *plan, struct plan_trial *trial, const struct hf_event *event)
{
    double gap = event->exposure_s - trial->exposure_s;

    trial->record_s = event->time_s;
    if (event->type == HF_EVENT_EXPOSURE && event->sequence != 0)
        plan->record_gap_s = fmax(gap, RECORD_GAP_KEPT * plan->record_gap_s + (1.0 - RECORD_GAP_KEPT) * gap);
}

static double unseen_s(const struct hf_plan *plan, const struct plan_trial *trial)
{
    return trial->loaded ? fmin(plan->record_gap_s, plan->time_s - trial->record_s) : 0.0;
}

/* One group's part of a verdict. A hardware error that is followed by the verdict it caused is one fault. */
static void add_outcome(struct hf_plan *plan, const struct hf_event *event, const struct plan_trial *trial,
                        int group, int step, int errors)
{
    struct plan_outcome *outcome = &plan->outcome[plan->outcome_count++];
    int ended = event->verdict == HF_VERDICT_FAIL && event->group == group;

    if (ended && event->cause == HF_CAUSE_HARDWARE_ERROR && errors > 0)
        errors--;
    *outcome = (struct plan_outcome){
        .group = group,
        .step = step,
        .purpose = trial->purpose,
        .verdict = event->verdict,
        .cause = event->cause,
        .exposure_s = event->exposure_s,
        .limit_s = trial->limit_s,
        .faults_within = errors,
        .cpu = ended ? event->cpu : -1,
        .ended_by_fault = ended,
        .loaded = trial->loaded,
        .unseen_s = event->cause == HF_CAUSE_MACHINE_RESET ? unseen_s(plan, trial) : 0.0,
        .others_step = others_step(plan, trial, step),
    };
    if (event->verdict == HF_VERDICT_FAIL && !ended && event->group != HF_GROUP_NONE)
        outcome->verdict = HF_VERDICT_VOID; /* another group failed: clean, but not served */
    if (outcome->verdict == HF_VERDICT_PASS && errors > 0)
        outcome->verdict = HF_VERDICT_FAIL;
}

/* --- joint trials --- */

static void collect_joint(struct hf_plan *plan, const struct hf_event *event)
{
    for (int g = 0; g < plan->config.group_count; g++) {
        if (plan->joint_step[g] >= 0)
            add_outcome(plan, event, &plan->joint, g, plan->joint_step[g], plan->group[g].joint_errors);
        plan->group[g].joint_errors = 0;
    }
}

/* Whom a joint trial's end indicts: HF_GROUP_ALL when nobody failed, HF_GROUP_NONE when nobody is named. */
static int joint_indicted(const struct hf_plan *plan, const struct hf_event *event)
{
    if (event->verdict == HF_VERDICT_FAIL)
        return event->group;
    for (int g = 0; g < plan->config.group_count; g++) {
        if (plan->group[g].joint_errors > 0)
            return g;
    }
    return HF_GROUP_ALL;
}

static void close_baseline(struct hf_plan *plan, const struct hf_event *event, int indicted)
{
    if (indicted == HF_GROUP_NONE)
        plan_stop(plan, "your baseline is not stable: %s after %.0f s, no group is named",
                  hf_cause_name(event->cause), event->exposure_s);
    else if (indicted != HF_GROUP_ALL)
        plan_stop(plan, "your baseline is not stable: group %d failed at step %d after %.0f s", indicted,
                  plan->joint_step[indicted], event->exposure_s);
    else if (event->verdict == HF_VERDICT_PASS)
        plan->baseline_passed = 1;
}

/* Nobody can be lowered further: a pinned group, or one at its baseline. */
static int cannot_lower(const struct hf_plan *plan, int group)
{
    const struct hf_plan_group *config = &plan->config.group[group];

    return config->pinned || plan->soak.step[group] <= config->baseline_step;
}

static void fail_soak(struct hf_plan *plan, int indicted)
{
    plan->soak.attempts_failed++;
    plan->soak.same_set_failed++;
    plan->soak.served_s = 0.0;
    if (indicted >= 0 && cannot_lower(plan, indicted)) {
        plan_stop(
            plan, "group %d failed in the soak at its %s step %d, below which it may not go: %s", indicted,
            plan->config.group[indicted].pinned ? "pinned" : "baseline", plan->soak.step[indicted],
            plan->config.group[indicted].pinned ? "pin it lower" : "leave it out, or lower its baseline");
        return;
    }
    plan->method->soak_failed(plan, indicted);
    if (indicted >= 0 && plan->group[indicted].chosen >= plan->soak.step[indicted])
        plan_choose(plan, indicted, plan->soak.step[indicted] - 1);
}

static void close_soak(struct hf_plan *plan, const struct hf_event *event, int indicted)
{
    if (indicted != HF_GROUP_ALL) {
        fail_soak(plan, indicted);
    } else if (event->verdict == HF_VERDICT_PASS || event->cause == HF_CAUSE_INTERRUPTED) {
        plan->soak.served_s += event->exposure_s;
        plan->soak.passed = plan->soak.served_s >= plan->soak.required_s * (1.0 - 1e-9);
    }
}

/* From here on as if the configuration had said so. What the trial was void for has gone with the group. */
static void leave_out(struct hf_plan *plan, int group)
{
    int under_test = 0;

    plan->config.group[group].left_out = 1;
    plan->config.group[group].pinned = 0;
    plan->group[group].chosen = plan->config.group[group].baseline_step;
    plan->joint_voids_in_row = 0;
    for (int g = 0; g < plan->config.group_count; g++)
        under_test += !plan->config.group[g].left_out;
    if (under_test == 0)
        plan_stop(plan, "no group's ratio can be set: every one of them was left out");
}

static void close_joint(struct hf_plan *plan, const struct hf_event *event)
{
    int indicted = joint_indicted(plan, event);
    enum hf_purpose purpose = plan->joint.purpose;

    if (indicted == HF_GROUP_ALL &&
        is_machine_void(event->cause)) { /* nothing is learned, not even exposure */
        if (event->cause == HF_CAUSE_CLOCK_SHORTFALL)
            cap_shortest_of_joint(plan);
        if (hf_verdict_leaves_out(purpose, event))
            leave_out(plan, event->group);
        else if (++plan->joint_voids_in_row >= PLAN_VOIDS_MAX)
            plan_stop(plan, "the joint %s was void %d times in a row, last for %s", hf_purpose_name(purpose),
                      plan->joint_voids_in_row, hf_cause_name(event->cause));
    } else {
        if (event->verdict != HF_VERDICT_VOID)
            plan->joint_voids_in_row = 0;
        collect_joint(plan, event);
        learn(plan, indicted == HF_GROUP_NONE);
        if (purpose == HF_PURPOSE_BASELINE)
            close_baseline(plan, event, indicted);
        else
            close_soak(plan, event, indicted);
    }
    plan->joint.number = 0;
}

static void begin_soak(struct hf_plan *plan, const struct hf_event *event)
{
    struct plan_soaks *soak = &plan->soak;
    int same = plan->soak_begun && memcmp(soak->step, event->joint_step, sizeof soak->step) == 0;

    if (!same) {
        memmove(&soak->tries_of_set[1], &soak->tries_of_set[0], (PLAN_SETS_MAX - 1) * sizeof(int));
        soak->sets += soak->sets < PLAN_SETS_MAX;
        soak->same_set_failed = 0;
        soak->served_s = 0.0;
        memcpy(soak->step, event->joint_step, sizeof soak->step);
        soak->passed = 0;
    }
    if (!plan->soak_begun && plan_is_cut_short(plan)) {
        plan->deadline_cut = 1;
        plan->steps_lost = plan->method->steps_to_win ? plan->method->steps_to_win(plan) : NAN;
    }
    plan->soak_begun = 1;
    soak->begun++;
    soak->tries_of_set[0] = soak->same_set_failed + 1;
    soak->required_s = soak->served_s + plan_soak_remaining_s(plan, soak->step);
}

/* --- events --- */

static void begin_trial(struct hf_plan *plan, const struct hf_event *event)
{
    int joint = hf_purpose_is_joint(event->purpose);
    struct plan_trial *trial = joint ? &plan->joint : &plan->trial[event->group];

    *trial = (struct plan_trial){
        .number = event->trial,
        .purpose = event->purpose,
        .step = event->step,
        .begin_s = event->time_s,
        .limit_s = event->limit_s,
    };
    plan->last_trial = event->trial;
    plan->open_count++;
    if (!joint)
        return;
    for (int g = 0; g < HF_GROUPS_MAX; g++) {
        plan->joint_step[g] = (int16_t)(g < plan->config.group_count ? event->joint_step[g] : -1);
        if (g < plan->config.group_count)
            plan->group[g].joint_errors = 0;
    }
    if (event->purpose == HF_PURPOSE_SOAK) {
        struct hf_event padded = *event;

        memcpy(padded.joint_step, plan->joint_step, sizeof padded.joint_step);
        begin_soak(plan, &padded);
    }
}

static void close_single(struct hf_plan *plan, const struct hf_event *event, int group)
{
    struct plan_trial *trial = &plan->trial[group];

    if (event->verdict == HF_VERDICT_VOID)
        count_void(plan, group, event->cause);
    if (event->cause == HF_CAUSE_CLOCK_SHORTFALL)
        cap_short_clock(plan, group, trial->step);
    if (event->cause == HF_CAUSE_OVER_TEMPERATURE)
        plan->group[group].hot_until_s = event->time_s + PLAN_COOLING_S * plan_time_scale(plan);
    if (!is_machine_void(event->cause) && trial->purpose != HF_PURPOSE_REPRODUCE)
        add_outcome(plan, event, trial, group, trial->step, trial->hardware_errors);
    trial->number = 0;
    if (!plan->reset_pending)
        learn(plan, 0);
    if (plan->config.group[group].pinned && event->verdict == HF_VERDICT_FAIL && event->group == group)
        plan_stop(plan, "group %d failed at its pinned step %d", group, trial->step);
}

static void take_verdict(struct hf_plan *plan, const struct hf_event *event)
{
    int group = 0;

    (void)find_trial(plan, event->trial, &group);
    plan->open_count--;
    if (group == HF_GROUP_ALL) {
        plan->reset_pending = 0;
        close_joint(plan, event);
        return;
    }
    close_single(plan, event, group);
    if (plan->reset_pending && plan->open_count == 0) {
        learn(plan, plan->reset_group == HF_GROUP_NONE);
        plan->reset_pending = 0;
    }
}

static void take_hardware_error(struct hf_plan *plan, const struct hf_event *event)
{
    int g = event->group;

    if (plan->joint.number != 0 && plan->joint_step[g] >= 0)
        plan->group[g].joint_errors++;
    else if (plan->trial[g].number != 0)
        plan->trial[g].hardware_errors++;
}

static void apply_event(struct hf_plan *plan, const struct hf_event *event)
{
    int group = 0;
    struct plan_trial *trial;

    switch (event->type) {
    case HF_EVENT_TRIAL_BEGIN:
        begin_trial(plan, event);
        break;
    case HF_EVENT_TRIAL_LOADED:
    case HF_EVENT_EXPOSURE:
        (void)find_trial(plan, event->trial, &group);
        trial = group == HF_GROUP_ALL ? &plan->joint : &plan->trial[group];
        if (!trial->loaded) {
            trial->loaded_s = event->time_s;
            trial->step_sum_s = plan->step_sum_s;
            trial->load_sum_s = plan->load_sum_s;
        }
        trial->loaded = 1;
        note_record(plan, trial, event);
        if (event->type == HF_EVENT_EXPOSURE)
            trial->exposure_s = event->exposure_s;
        break;
    case HF_EVENT_RESET:
        plan->reset_pending = plan->open_count > 0;
        plan->reset_group = event->group;
        break;
    case HF_EVENT_VERDICT:
        take_verdict(plan, event);
        break;
    case HF_EVENT_HARDWARE_ERROR:
        take_hardware_error(plan, event);
        break;
    }
}

int hf_plan_observe(struct hf_plan *plan, const struct hf_event *event, struct hf_error *error)
{
    int code;

    check(plan);
    code = check_event(plan, event, error);
    if (code < 0)
        return code;
    add_load(plan, event->time_s - plan->time_s);
    plan->time_s = event->time_s;
    apply_event(plan, event);
    check(plan);
    return 0;
}
