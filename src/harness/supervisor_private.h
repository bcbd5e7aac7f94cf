/*
 * What the files of the supervisor share.
 *
 * Invariants
 *  1. trial[g].open says that a trial of group g stands in the journal without a verdict; a joint trial
 * stands in `joint` and then no trial[g] is open.
 *  2. A group's workers run only while its trial is open and its setting is in force.
 *  3. trial.exposure_s >= trial.journalled_s: the journal never claims more than was served.
 *  4. `phase` only moves forward: STARTING -> PROVING -> RUNNING -> ENDING.
 *  5. After fail() nothing is journalled any more; the workers are dead before the groups go to baseline.
 */
#ifndef HOLDFAST_HARNESS_SUPERVISOR_PRIVATE_H
#define HOLDFAST_HARNESS_SUPERVISOR_PRIVATE_H

#include <uv.h>

#include "harness/guardian.h"
#include "harness/pool.h"
#include "harness/sensing.h"
#include "harness/settings.h"
#include "harness/supervisor.h"

#define HF_TICK_MS 20
/* A tick that comes late (Ctrl-Z, a slow disk) counts for no more than this: the workers wait when their
 * rings are full, after HF_RING_BLOCKS blocks. */
#define HF_TICK_SERVED_MAX_S (0.8 * HF_RING_BLOCKS * HF_BLOCK_S)
#define HF_STALL_MIN_S       2.0 /* no progress for 10 block times, and at least this, is a stall */
#define HF_EXPOSURE_EVERY_S                                                                                  \
    5.0 /* run time between exposure lines, and at least HF_EXPOSURE_WALL_S of wall time */
#define HF_EXPOSURE_WALL_S  0.05
#define HF_SLICES_KEPT      64 /* slices whose blocks may still be judged: seconds' worth at most */
#define HF_FRUITLESS_RESETS 3  /* so many resets without a judged trial park the run */

struct hf_load_share {
    double exposure_s;
    uint64_t blocks;
};

struct hf_trial {
    int open;
    uint64_t id;
    enum hf_purpose purpose;
    int group; /* or HF_GROUP_ALL */
    int step;
    int16_t joint_step[HF_GROUPS_MAX];
    double limit_s;
    double exposure_s;
    double wall_exposure_s;
    double behind_s; /* by the wall's clock: waited for cores that had done too little */
    double journalled_s;
    uint64_t blocks;
    int loaded;            /* every worker of it has finished a block: exposure counts */
    int64_t served_ns;     /* when its time was served */
    int draining;          /* time served: waiting for the last blocks to be judged */
    int setting_confirmed; /* read back after the load: a pass may be believed */
    double celsius_sum, celsius_highest, mhz_sum, mhz_asked_sum, watts_sum; /* over groups and time */
    double watts_highest;
    double joules_from,
        joules_to; /* of the package's energy counters, at the trial's first and last reading */
    int64_t joules_from_ns, joules_to_ns; /* 0: not read yet */
    uint64_t samples, watts_samples;
    struct hf_hottest hottest[HF_ROLE_COUNT];
    struct hf_load_share share[HF_MIX_ENTRIES_MAX];
    struct hf_load_share company[HF_MIX_ENTRIES_MAX]; /* what it ran beside the entry's slices elsewhere */
    struct hf_load_share memory[HF_MIX_ENTRIES_MAX];  /* of the mix `memory`, in the proof of the baseline */
};

struct hf_supervisor;

/* What a verdict's record says beyond the event. */
struct hf_verdict_detail {
    const struct hf_supervisor *supervisor;
    const struct hf_trial *trial;
    const struct hf_mix *mix;
    const struct hf_mix *memory_mix;
    const char *words;
    uint64_t slice_number;
};

/* What the supervisor remembers of a worker between two ticks. */
struct hf_watch {
    uint64_t progress;
    int64_t progress_ns; /* when it last moved, or was told to run */
    double exposure_at_progress;
    uint64_t blocks_in_trial;
    int early_deaths; /* deaths before it was ready */
};

enum hf_phase {
    HF_PHASE_STARTING,
    HF_PHASE_PROVING,
    HF_PHASE_RUNNING,
    HF_PHASE_ENDING
};

struct hf_supervisor {
    const struct hf_supervisor_options *options;
    struct hf_run *run;
    const struct hf_profile *profile;
    const struct hf_director *director;
    uv_loop_t loop;
    uv_timer_t tick;
    uv_signal_t signals[3];
    int loop_started;
    int loop_lent; /* loan.c */
    struct hf_pool *pool;
    struct hf_judge judge;
    int16_t real_cpus[HF_CPUS_MAX];
    int real_cpu_count;
    int home_group; /* where the supervisor lives, when judge.home_cpu >= 0 */
    int sharing;    /* workers per real CPU, at most */

    const struct hf_host *host; /* the options', or own_host */
    struct hf_host own_host;
    struct hf_sensing *sensing; /* NULL with a simulated machine */
    struct hf_settings settings;

    void *driver_state;
    struct hf_driver_config driver_config;
    struct hf_driver_group driver_group[HF_GROUPS_MAX];
    int16_t last_step[HF_GROUPS_MAX]; /* in force when an earlier session was told last; -1 */
    struct hf_rig_config rig_config;
    struct hf_load_slice mix_load[HF_MIX_ENTRIES_MAX];
    int mix_load_count;

    struct hf_guardian *guardian;
    char boot_before[HF_BOOT_ID_MAX]; /* of the run's last record before this session; "" for a new run */
    struct hf_run_trial reset_trial;  /* the newest that this session found reset under way; trial 0: none */
    int64_t slept_ns;                 /* of this boot, as far as it is known */

    enum hf_phase phase;
    struct hf_trial trial[HF_GROUPS_MAX];
    struct hf_trial joint;
    uint64_t
        run_ticks[HF_GROUPS_MAX]; /* when the group was last told to run: older blocks are another trial's */
    int running[HF_GROUPS_MAX];   /* the group's workers have been told to run */
    int model_waits;              /* this tick: a core is behind, a simulated machine stands still */
    int cooling[HF_GROUPS_MAX];   /* over its limit or unwatched not long ago: no new trial yet */
    int64_t sensed_ns;            /* temperatures were last added to the trials' means */
    int64_t clock_judged_ns;
    struct hf_watch watch[HF_WORKERS_MAX];

    struct hf_slice slice; /* the present one */
    int has_slice;
    struct hf_mix memory_mix;             /* for the baseline */
    uint64_t from_memory[HF_SLICES_KEPT]; /* by number modulo their count: 1 + number of a slice of it */
    int64_t slice_ends_ns;
    int64_t last_tick_ns;
    int64_t shown_ns;
    int64_t exposure_line_ns;
    int64_t started_ns;

    struct hf_event exposure_events[HF_GROUPS_MAX];

    struct hf_supervisor_result *result;
    struct hf_error error; /* the failure that ends the run */
};

/* --- supervisor.c --- */
void hf_supervisor_say(struct hf_supervisor *s, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
/* Keeps the first failure and ends the run. */
void hf_supervisor_fail(struct hf_supervisor *s, const struct hf_error *error);
void hf_supervisor_close_tick(struct hf_supervisor *s);
void hf_supervisor_finish(struct hf_supervisor *s, enum hf_supervisor_end end, const char *words);
double hf_supervisor_now_s(const struct hf_supervisor *s);
/* Adds the event to the journal (uncommitted), from where state and director learn it. */
int hf_supervisor_emit(struct hf_supervisor *s, const struct hf_event *event, const char *reason);
int hf_supervisor_commit(struct hf_supervisor *s);
/* Says it, and keeps it in the journal as a note. */
void hf_supervisor_note(struct hf_supervisor *s, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
const char *hf_supervisor_group_name(const struct hf_supervisor *s, int group);

/* 1 when the worker carries the load while its group is under trial: only then is anything expected of it. */
static inline int hf_supervisor_core_works(const struct hf_supervisor *s, const struct hf_worker *worker)
{
    return s->director->core_works == NULL ||
           s->director->core_works(s->director->context, worker->place.group, worker->place.rank);
}

/* 1 when settings are made and read in the loop: by the rig itself, or by a person who is asked. */
static inline int hf_supervisor_sets_at_once(const struct hf_supervisor *s)
{
    struct hf_driver_cost cost;

    s->options->driver->cost(s->driver_state, &cost);
    return cost.needs_person || (s->options->driver->is_simulated && !s->options->driver->waits);
}

/* --- trials.c --- */
int hf_trial_covers(const struct hf_trial *trial, int group);
int hf_trial_step_of(const struct hf_trial *trial, int group);
/* Its setting is in force: the trial's groups begin to work. */
void hf_trial_run(struct hf_supervisor *s, const struct hf_trial *trial);
struct hf_trial *hf_trial_of_group(struct hf_supervisor *s, int group);
int hf_trial_any_open(const struct hf_supervisor *s);
void hf_trials_propose(struct hf_supervisor *s);
void hf_trial_idle_group(struct hf_supervisor *s, int group);
/* Reads every group of the trial back. A setting that is not in force voids the trial: 0. */
int hf_trial_settings_in_force(struct hf_supervisor *s, struct hf_trial *trial, int journal_them);
/* Before the machine's time moves by a tick. */
void hf_trials_look_for_lag(struct hf_supervisor *s, double wall_s);
void hf_trials_accrue(struct hf_supervisor *s, double wall_s);
void hf_trials_journal_exposure(struct hf_supervisor *s);
int hf_trials_requested_page(struct hf_supervisor *s, struct hf_text *page);
/* Carries on with trials whose settings a person was asked for. */
int hf_trials_adopt_requested(struct hf_supervisor *s);

/* --- trials_end.c --- */
/* 1 when a core has finished too little for wall_s more exposure. */
int hf_trial_is_behind(const struct hf_supervisor *s, const struct hf_trial *trial, double wall_s);
/* Counts the tick as waiting; closes a trial that mostly waits. */
void hf_trial_wait_for_blocks(struct hf_supervisor *s, struct hf_trial *trial, double wall_s);
void hf_trials_close_served(struct hf_supervisor *s);
/* Ends a trial with a verdict; cpu is the profile's CPU or -1; group the indicted one. */
void hf_trial_close(struct hf_supervisor *s, struct hf_trial *trial, enum hf_verdict verdict,
                    enum hf_cause cause, int group, int cpu, const char *detail);
void hf_trials_interrupt_all(struct hf_supervisor *s, const char *detail);

/* --- verdict_detail.c --- */
/* Payload of a verdict; context: struct hf_verdict_detail. */
void hf_verdict_write_detail(void *context, struct hf_json_writer *writer);

/* --- baseline.c --- */
int hf_baseline_init(struct hf_supervisor *s);
hf_slice_source hf_baseline_slice; /* context: the supervisor */
/* Makes the next slice of the programme the present one. */
void hf_baseline_next_slice(struct hf_supervisor *s);
/* Where a trial's time and blocks of a slice are counted. */
struct hf_load_share *hf_baseline_share(struct hf_trial *trial, const struct hf_slice *slice);
/* Tells a person what a failed baseline says of the memory. */
void hf_baseline_failed(struct hf_supervisor *s, const struct hf_trial *trial);

/* --- watch.c --- */
void hf_watch_machine(struct hf_supervisor *s, double run_s);
void hf_watch_results(struct hf_supervisor *s);
void hf_watch_progress(struct hf_supervisor *s, int64_t now_ns);
void hf_watch_on_death(void *context, struct hf_worker *worker, int64_t exit_status, int signal_number);
void hf_watch_write_slice(struct hf_json_writer *writer, const struct hf_slice *slice);
void hf_watch_run_started(struct hf_supervisor *s, int group, int64_t now_ns);
double hf_watch_celsius(const struct hf_supervisor *s, int group); /* NAN: not known */
/* 1 while the group is too hot for its next trial. */
int hf_watch_is_cooling(struct hf_supervisor *s, int group);
/* 1 when the trial's clock was judged short, and the trial has been closed. */
int hf_watch_clock_fell_short(struct hf_supervisor *s, struct hf_trial *trial);

/* --- home.c --- */
void hf_supervisor_choose_home(struct hf_supervisor *s);

/* --- asleep.c --- */
void hf_asleep_begin(struct hf_supervisor *s);
/* A machine that slept: the trials under way are void. */
void hf_asleep_tick(struct hf_supervisor *s);

/* --- resume.c --- */
/* 1 when the run's last record is of another boot than this one. */
int hf_resume_is_new_boot(const struct hf_supervisor *s);
/* Settles the intents that an earlier session left open: interrupted in the same boot, machine-reset in
 * another; and says how the boot before has ended. */
int hf_resume_settle(struct hf_supervisor *s);

/* --- session_record.c --- */
int hf_supervisor_journal_session(struct hf_supervisor *s);

/* --- loan.c --- */
void hf_supervisor_lend_loop(struct hf_supervisor *s);
void hf_supervisor_take_loop_back(struct hf_supervisor *s);

/* --- load.c --- */
void hf_load_of_mix(const struct hf_mix *mix, struct hf_load_slice *ret_slices, int *ret_count);

#endif
