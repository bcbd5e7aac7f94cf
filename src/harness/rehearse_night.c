/*
 * One night in virtual time.
 *
 * Each open trial sits on a seat: one per group, and one for the joint trial. A seat goes through
 *
 *     EMPTY --begin--> APPLYING --load--> RUNNING --sentence--> SENTENCED --close--> EMPTY
 *                          |                 |                      |
 *                          +-----------------+------- reset --------+-------------> EMPTY
 *
 * APPLYING waits for the settings to be in force, SENTENCED for the moment at which the judge notices. Each
 * of the three has one time at which it goes on by itself (due_s); the loop advances the rig to the earliest.
 *
 * Invariants, checked by check():
 *  1. The joint seat is taken only while all others are empty.
 *  2. A group has load on the rig exactly while its seat (or the joint one, for its members) is RUNNING; then
 * it is set to that trial's step. Otherwise it is idle at its baseline.
 *  3. due_s of a taken seat is never before now_s.
 *  4. reported_s never exceeds the exposure served: what the journal would know after a reset.
 */
#include "harness/rehearse_night.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "holdfast/random.h"

#define JOINT            HF_RIG_GROUPS_MAX
#define SEATS            (HF_RIG_GROUPS_MAX + 1)
#define JOURNAL_PERIOD_S 5.0 /* exposure is journalled so often */
#define TIME_SLACK_S     1e-7

enum seat_state {
    SEAT_EMPTY,
    SEAT_APPLYING,
    SEAT_RUNNING,
    SEAT_SENTENCED
};

struct seat {
    enum seat_state state;
    uint64_t trial;
    int joint;
    int16_t step[HF_RIG_GROUPS_MAX]; /* of each member; -1: not a member */
    double limit_s;
    double loaded_s; /* run time from which exposure counts */
    double due_s;
    double reported_s;        /* exposure as last journalled */
    struct hf_event sentence; /* SENTENCED: the verdict to come */
};

struct night {
    const struct hf_night_setup *setup;
    const struct hf_load_slice *mix;
    int mix_count;
    struct hf_rig *rig;
    struct hf_plan *plan;
    struct hf_random random; /* which resets name a CPU */
    struct hf_decision_times *times;
    int64_t learning_ns; /* spent in observing since the last answer */
    struct seat seat[SEATS];
    double now_s;
    uint64_t last_trial, boots;
    double soak_began_s;
    int over;
    struct hf_rehearse_night *score;
    struct hf_error *error;
};

static int group_count(const struct night *night)
{
    return night->setup->rig.group_count;
}

/* The seat on which the group is under trial, or would be. */
static int seat_index(const struct night *night, int group)
{
    return night->seat[JOINT].state != SEAT_EMPTY ? JOINT : group;
}

static void check(const struct night *night)
{
    for (int i = 0; i < SEATS; i++) {
        const struct seat *seat = &night->seat[i];

        if (seat->state == SEAT_EMPTY)
            continue;
        assert(night->seat[JOINT].state == SEAT_EMPTY || i == JOINT);
        assert(seat->due_s >= night->now_s - TIME_SLACK_S);
        assert(seat->state != SEAT_RUNNING ||
               seat->reported_s <= night->now_s - seat->loaded_s + TIME_SLACK_S);
    }
}

/* --- telling the plan --- */

static int64_t clock_ns(const struct night *night)
{
    const struct hf_clock *clock = night->setup->options->clock;

    return clock != NULL ? hf_clock_monotonic_ns(clock) : 0;
}

static struct hf_event event_make(const struct night *night, enum hf_event_type type, const struct seat *seat)
{
    struct hf_event event;

    memset(&event, 0, sizeof event); /* padding too: traces are compared to the byte */
    event.type = type;
    event.trial = seat != NULL ? seat->trial : 0;
    event.time_s = night->now_s;
    event.group = HF_GROUP_NONE;
    event.cpu = -1;
    for (int g = 0; g < HF_GROUPS_MAX; g++)
        event.joint_step[g] = -1;
    return event;
}

static void tell(struct night *night, const struct hf_event *event)
{
    const struct hf_rehearse_options *options = night->setup->options;
    int64_t began_ns = clock_ns(night);

    if (night->error->code != HF_OK)
        return;
    if (hf_plan_observe(night->plan, event, night->error) != HF_OK) {
        hf_error_context(night->error, "rehearsal, night with seed %llu",
                         (unsigned long long)night->setup->rig.seed);
        return;
    }
    night->learning_ns += clock_ns(night) - began_ns;
    night->score->events++;
    if (options->trace != NULL)
        options->trace(options->context, night->setup->number, event);
}

static void tell_exposure(struct night *night, struct seat *seat)
{
    struct hf_event event = event_make(night, HF_EVENT_EXPOSURE, seat);
    double served_s = night->now_s - seat->loaded_s;
    double journalled_s = JOURNAL_PERIOD_S * floor(served_s / JOURNAL_PERIOD_S);

    if (journalled_s <= seat->reported_s || journalled_s > seat->limit_s)
        return;
    seat->reported_s = event.exposure_s = journalled_s;
    tell(night, &event);
}

/* What the journal would hold by now of all trials that run: told before anything is decided. */
static void tell_all_exposures(struct night *night)
{
    for (int i = 0; i < SEATS; i++) {
        if (night->seat[i].state == SEAT_RUNNING)
            tell_exposure(night, &night->seat[i]);
    }
}

/* --- the rig's side of a seat --- */

static int is_member(const struct seat *seat, int group)
{
    return seat->step[group] >= 0;
}

static void set_load(struct night *night, int group, int count)
{
    struct hf_error error = {0};
    int code = hf_rig_set_load(night->rig, group, night->mix, count, &error);

    assert(code == HF_OK); /* the mix was tried before the night began */
    (void)code;
}

static void rest(struct night *night, int group)
{
    set_load(night, group, 0);
    hf_rig_set_step(night->rig, group, night->setup->plan.group[group].baseline_step);
}

static void rest_members(struct night *night, const struct seat *seat)
{
    for (int g = 0; g < group_count(night); g++) {
        if (is_member(seat, g))
            rest(night, g);
    }
}

/* --- the life of a seat --- */

static void seat_begin(struct night *night, struct seat *seat, const struct hf_proposal *proposal)
{
    struct hf_event event;

    assert(seat->state == SEAT_EMPTY);
    *seat = (struct seat){.state = SEAT_APPLYING,
                          .trial = ++night->last_trial,
                          .joint = proposal->kind == HF_PROPOSAL_JOINT,
                          .limit_s = proposal->limit_s,
                          .due_s = night->now_s + night->setup->plan.apply_cost_s};
    event = event_make(night, HF_EVENT_TRIAL_BEGIN, seat);
    event.purpose = proposal->purpose;
    event.limit_s = proposal->limit_s;
    event.group = seat->joint ? HF_GROUP_ALL : proposal->group;
    event.step = seat->joint ? 0 : proposal->step;
    for (int g = 0; g < HF_RIG_GROUPS_MAX; g++)
        seat->step[g] = -1;
    for (int g = 0; g < group_count(night); g++) {
        if (seat->joint)
            seat->step[g] = event.joint_step[g] = proposal->joint_step[g];
    }
    if (!seat->joint)
        seat->step[proposal->group] = (int16_t)proposal->step;
    if (proposal->purpose == HF_PURPOSE_SOAK) {
        night->score->soaks++;
        night->soak_began_s = night->now_s;
    }
    night->score->trials++;
    tell(night, &event);
}

static void seat_load(struct night *night, struct seat *seat)
{
    struct hf_event event = event_make(night, HF_EVENT_TRIAL_LOADED, seat);

    assert(seat->state == SEAT_APPLYING);
    for (int g = 0; g < group_count(night); g++) {
        if (!is_member(seat, g))
            continue;
        hf_rig_set_step(night->rig, g, seat->step[g]);
        hf_rig_begin_run(night->rig, g);
        set_load(night, g, night->mix_count);
    }
    seat->state = SEAT_RUNNING;
    seat->loaded_s = night->now_s;
    seat->due_s = night->now_s + seat->limit_s;
    tell(night, &event);
}

/* The verdict is certain; it is noticed `delay_s` from now. */
static void seat_sentence(struct night *night, struct seat *seat, enum hf_verdict verdict,
                          enum hf_cause cause, double exposure_s, double delay_s)
{
    assert(seat->state == SEAT_RUNNING);
    seat->sentence = event_make(night, HF_EVENT_VERDICT, seat);
    seat->sentence.verdict = verdict;
    seat->sentence.cause = cause;
    seat->sentence.exposure_s = fmin(seat->limit_s, fmax(exposure_s, seat->reported_s));
    seat->state = SEAT_SENTENCED;
    seat->due_s = night->now_s + delay_s;
    rest_members(night, seat);
}

static void seat_close(struct night *night, struct seat *seat)
{
    struct hf_event event = seat->sentence;

    assert(seat->state == SEAT_SENTENCED);
    tell_all_exposures(night);
    event.time_s = night->now_s;
    seat->state = SEAT_EMPTY;
    tell(night, &event);
}

static void seat_serve(struct night *night, struct seat *seat)
{
    seat_sentence(night, seat, HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED, seat->limit_s, 0.0);
    seat_close(night, seat);
}

static void seat_go_on(struct night *night, struct seat *seat)
{
    switch (seat->state) {
    case SEAT_APPLYING:
        seat_load(night, seat);
        break;
    case SEAT_RUNNING:
        seat_serve(night, seat);
        break;
    case SEAT_SENTENCED:
        seat_close(night, seat);
        break;
    case SEAT_EMPTY:
        assert(0 && "an empty seat is never due");
    }
}

/* --- what the rig does to us --- */

static struct seat *seat_of_group(struct night *night, int group)
{
    return &night->seat[seat_index(night, group)];
}

static int cpu_of(const struct night *night, const struct hf_rig_fault *fault)
{
    return fault->group * night->setup->rig.cores_per_group + fault->core;
}

/* The verdict of one open trial after a reset that named `named`. */
static void seat_reset(struct night *night, struct seat *seat, int named, int cpu)
{
    struct hf_event event = event_make(night, HF_EVENT_VERDICT, seat);
    int hit = named == HF_GROUP_NONE || seat->joint || is_member(seat, named);

    event.verdict = hit ? HF_VERDICT_FAIL : HF_VERDICT_VOID;
    event.cause = HF_CAUSE_MACHINE_RESET;
    event.exposure_s = seat->reported_s;
    event.group = hit ? named : HF_GROUP_NONE;
    event.cpu = hit ? cpu : -1;
    seat->state = SEAT_EMPTY;
    tell(night, &event);
}

static void machine_reset(struct night *night, const struct hf_rig_fault *fault)
{
    struct hf_rig_fault none;
    struct hf_event event;
    int is_named = hf_random_uniform(&night->random) < night->setup->options->named_reset_share;
    int named = is_named ? fault->group : HF_GROUP_NONE;
    int cpu = is_named ? cpu_of(night, fault) : -1;

    night->score->resets++;
    tell_all_exposures(night);
    for (int g = 0; g < group_count(night); g++)
        rest(night, g);
    (void)hf_rig_advance(night->rig, night->setup->plan.reset_cost_s, &none);
    hf_rig_boot(night->rig, ++night->boots);
    night->now_s += night->setup->plan.reset_cost_s; /* the next boot writes what follows */
    event = event_make(night, HF_EVENT_RESET, NULL);
    event.group = named;
    event.cpu = cpu;
    tell(night, &event);
    for (int i = 0; i < SEATS; i++) {
        if (night->seat[i].state != SEAT_EMPTY)
            seat_reset(night, &night->seat[i], named, cpu);
    }
}

/* Seconds to the next check of the results of a trial that has run so long. */
static double to_next_check_s(const struct night *night, double exposure_s)
{
    double period_s = night->setup->plan.check_period_s;

    return fmax(0.0, period_s * ceil(exposure_s / period_s) - exposure_s);
}

static void take_fault(struct night *night, const struct hf_rig_fault *fault)
{
    struct seat *seat = seat_of_group(night, fault->group);
    double exposure_s = night->now_s - seat->loaded_s, delay_s = 0.0;
    enum hf_cause cause = HF_CAUSE_WORKER_DIED;

    night->score->faults++;
    if (fault->kind == HF_DAMAGE_RESET) {
        machine_reset(night, fault);
        return;
    }
    assert(seat->state == SEAT_RUNNING && is_member(seat, fault->group));
    if (fault->kind == HF_DAMAGE_HANG) {
        cause = HF_CAUSE_STALL;
        delay_s = night->setup->options->stall_s;
    } else if (fault->kind != HF_DAMAGE_WORKER_DIED) {
        cause = fault->kind == HF_DAMAGE_CORRECTED ? HF_CAUSE_HARDWARE_ERROR : HF_CAUSE_WRONG_RESULT;
        delay_s = to_next_check_s(night, exposure_s);
        exposure_s += delay_s;
    }
    seat_sentence(night, seat, HF_VERDICT_FAIL, cause, exposure_s, delay_s);
    seat->sentence.group = fault->group;
    seat->sentence.cpu = cpu_of(night, fault);
}

/* Settings that did not stay and clocks that fell short void the trial. */
static void watch_settings(struct night *night)
{
    double tolerance_mhz = 0.5 * night->setup->rig.step_mhz;

    for (int g = 0; g < group_count(night); g++) {
        struct seat *seat = seat_of_group(night, g);
        double asked_mhz;
        enum hf_cause cause;

        if (seat->state != SEAT_RUNNING || !is_member(seat, g))
            continue;
        asked_mhz = night->setup->rig.lowest_mhz + seat->step[g] * night->setup->rig.step_mhz;
        if (hf_rig_step(night->rig, g) != seat->step[g])
            cause = HF_CAUSE_SETTING_LOST;
        else if (hf_rig_group_mhz(night->rig, g) < asked_mhz - tolerance_mhz)
            cause = HF_CAUSE_CLOCK_SHORTFALL;
        else
            continue;
        seat_sentence(night, seat, HF_VERDICT_VOID, cause, night->now_s - seat->loaded_s, JOURNAL_PERIOD_S);
    }
}

/* --- the plan's side --- */

static void give_up(struct night *night, enum hf_night_outcome outcome, const char *reason)
{
    night->over = 1;
    night->score->outcome = outcome;
    (void)snprintf(night->score->reason, sizeof night->score->reason, "%s", reason);
}

static void finish(struct night *night)
{
    night->over = 1;
    night->score->outcome = HF_NIGHT_FINISHED;
    night->score->search_hours = night->soak_began_s / 3600.0;
    for (int g = 0; g < group_count(night); g++) {
        struct hf_plan_view view;

        hf_plan_view(night->plan, g, &view);
        /* the seat's last trial was the soak; no certificate for a group that is unsafe at its baseline */
        night->score->chosen_step[g] = (int16_t)(view.unsafe_at_baseline ? -1 : night->seat[JOINT].step[g]);
    }
}

static void count_decision(struct night *night, int64_t began_ns)
{
    double microseconds = (double)(clock_ns(night) - began_ns + night->learning_ns) / 1e3;
    int bucket = microseconds > 1.0 ? (int)ceil(log(microseconds) / log(1.02)) : 0;

    night->learning_ns = 0;
    if (night->setup->options->clock == NULL)
        return;
    night->times->count[bucket < HF_DECISION_BUCKETS ? bucket : HF_DECISION_BUCKETS - 1]++;
    night->times->total++;
}

static void ask(struct night *night, int group)
{
    struct hf_proposal proposal;
    int64_t began_ns = clock_ns(night);

    hf_plan_propose(night->plan, group, night->now_s, &proposal);
    count_decision(night, began_ns);
    switch (proposal.kind) {
    case HF_PROPOSAL_TRIAL:
        seat_begin(night, &night->seat[group], &proposal);
        break;
    case HF_PROPOSAL_JOINT:
        seat_begin(night, &night->seat[JOINT], &proposal);
        break;
    case HF_PROPOSAL_FINISHED:
        finish(night);
        break;
    case HF_PROPOSAL_STOP:
        give_up(night, HF_NIGHT_STOPPED, proposal.reason);
        break;
    case HF_PROPOSAL_WAIT:
        break;
    }
}

static void ask_all(struct night *night)
{
    for (int g = 0; g < group_count(night) && !night->over; g++) {
        if (seat_of_group(night, g)->state == SEAT_EMPTY && !night->setup->plan.group[g].left_out)
            ask(night, g);
    }
}

/* --- the loop --- */

static double next_due_s(const struct night *night)
{
    double due_s = INFINITY;

    for (int i = 0; i < SEATS; i++) {
        if (night->seat[i].state != SEAT_EMPTY)
            due_s = fmin(due_s, night->seat[i].due_s);
    }
    return due_s;
}

static void step_night(struct night *night)
{
    struct hf_rig_fault fault;
    double due_s, left_s, moved_s;

    check(night);
    ask_all(night);
    if (night->over)
        return;
    due_s = next_due_s(night);
    if (!isfinite(due_s)) {
        give_up(night, HF_NIGHT_UNDECIDED, "the plan waits, but nothing is running");
        return;
    }
    left_s = fmax(0.0, due_s - night->now_s);
    moved_s = hf_rig_advance(night->rig, left_s, &fault);
    night->now_s = moved_s >= left_s ? due_s : night->now_s + moved_s;
    if (fault.kind != HF_DAMAGE_NONE) {
        take_fault(night, &fault);
        return;
    }
    for (int i = 0; i < SEATS; i++) {
        if (night->seat[i].state != SEAT_EMPTY && night->seat[i].due_s <= night->now_s + TIME_SLACK_S)
            seat_go_on(night, &night->seat[i]);
    }
    watch_settings(night);
}

static void run_to_the_end(struct night *night)
{
    const struct hf_rehearse_options *options = night->setup->options;

    while (!night->over && night->error->code == HF_OK) {
        step_night(night);
        if (!night->over && night->now_s > options->hours_max * 3600.0)
            give_up(night, HF_NIGHT_UNDECIDED, "not finished after the longest time allowed");
        if (!night->over && night->score->events > options->events_max)
            give_up(night, HF_NIGHT_UNDECIDED, "not finished after the most events allowed");
    }
    night->score->hours = night->now_s / 3600.0;
    if (night->score->outcome != HF_NIGHT_FINISHED)
        night->score->search_hours = night->score->hours;
}

static void collect_extrapolations(const struct night *night, double *ret_upper_per_hour)
{
    for (int g = 0; g < group_count(night); g++) {
        struct hf_plan_view view;

        hf_plan_view(night->plan, g, &view);
        ret_upper_per_hour[g] = view.rate_at_choice_upper_per_hour;
    }
}

static void score_init(const struct hf_night_setup *setup, struct hf_rehearse_night *score)
{
    *score = (struct hf_rehearse_night){.number = setup->number, .seed = setup->rig.seed, .worst_group = -1};
    for (int g = 0; g < HF_GROUPS_MAX; g++) {
        score->chosen_step[g] = -1;
        score->true_limit[g] = -1;
        score->true_rate_per_hour[g] = NAN;
    }
}

int hf_night_run(const struct hf_night_setup *setup, struct hf_decision_times *times,
                 struct hf_rehearse_night *ret_night, double ret_upper_per_hour[HF_RIG_GROUPS_MAX],
                 struct hf_error *error)
{
    struct hf_rehearse_night score;
    struct night night = {.setup = setup,
                          .mix = setup->options->mix,
                          .mix_count = setup->options->mix_count,
                          .times = times,
                          .score = &score,
                          .error = error};

    score_init(setup, &score);
    hf_random_init(&night.random, setup->rig.seed, 0x6e616d6564); /* a stream that the rig does not use */
    if (hf_rig_new(&setup->rig, &night.rig, error) != HF_OK)
        return error->code;
    if (hf_plan_new(&setup->plan, setup->options->method, &night.plan, error) != HF_OK)
        goto free_rig;
    if (hf_rig_set_load(night.rig, 0, night.mix, night.mix_count, error) != HF_OK)
        goto free_plan;
    for (int g = 0; g < setup->rig.group_count; g++)
        rest(&night, g);
    run_to_the_end(&night);
    if (error->code == HF_OK) {
        collect_extrapolations(&night, ret_upper_per_hour);
        *ret_night = score;
    }
free_plan:
    hf_plan_free(night.plan);
free_rig:
    hf_rig_free(night.rig);
    return error->code;
}
