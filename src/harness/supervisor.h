/*
 * The supervisor: one libuv loop that owns the journal, the workers and the judge, and carries out what a
 * director proposes (the plan of a search, the fixed trial of a verification, the replay of a failure).
 *
 * Calling order: open the run (hf_run_open, the director's observer as its event visitor, with observe_live),
 * fill in the options, hf_supervisor_run(). It returns when the director is done, the run has to wait for a
 * person, or a signal came; on every way out the load is gone, the groups are back at baseline, and what was
 * learned is in the journal.
 */
#ifndef HOLDFAST_HARNESS_SUPERVISOR_H
#define HOLDFAST_HARNESS_SUPERVISOR_H

#include "harness/judge.h"
#include "harness/view.h"
#include "holdfast/driver.h"
#include "holdfast/hardware_errors.h"
#include "holdfast/mix.h"
#include "holdfast/plan.h"
#include "holdfast/run.h"
#include "holdfast/true_clock.h"
#include "holdfast/watchdog.h"

/* Who decides what is tried next. Pure, like the plan. It learns what happens as an event visitor of the run,
 * which must be opened with observe_live: so it sees, to the bit, what a resumed run would. */
struct hf_director {
    void *context;
    void (*propose)(void *context, int group, double now_s, struct hf_proposal *ret_proposal);
    /* The same for all groups at once, HF_GROUPS_MAX at most, returns how many: for a driver with which a
     * change is a boot and a person. NULL: they are asked one after another. */
    int (*propose_round)(void *context, double now_s, struct hf_proposal *ret_proposals);
    /* Slice number n of the load. */
    hf_slice_source *slice;
    void *slice_context;
    /* 1: this core of the group (0, 1, ...) carries the load; its others idle. NULL: all do. Must give the
     * same answer throughout a run of the supervisor. */
    int (*core_works)(void *context, int group, int core);
    /* Payload of the `finished` record; NULL: none is written (verify, reproduce). */
    void (*write_finished)(void *context, struct hf_json_writer *writer);
};

enum hf_supervisor_end {
    HF_END_FINISHED,    /* the director is done */
    HF_END_STOPPED,     /* the director cannot go on, for what failed; `words` says why */
    HF_END_UNDECIDED,   /* nor here, but nothing failed: no time left, or trials that could not be judged */
    HF_END_INTERRUPTED, /* Ctrl-C, a signal, or the time given by --for */
    HF_END_PARKED,      /* fruitless resets: a person decides */
    HF_END_REQUESTED    /* a person has to change settings; `words` is the page to follow */
};

struct uv_loop_s;

struct hf_supervisor_options {
    struct hf_run *run;
    const struct hf_director *director;
    const struct hf_mix *mix;
    const struct hf_driver_ops *driver;
    const char *boot_id;
    int settings_applied; /* --applied: a person says the requested settings are in force */
    int unpark;
    int guard; /* watchdog, kernel settings that end a hang in a reset, hardware error reports (guardian.h) */
    const struct hf_host *host; /* NULL: this machine */
    /* Where hardware error reports are read from, with or without the other guards. NULL: from this machine's
     * log and trace points, with `guard` only. */
    const struct hf_log_ops *log;
    const struct hf_watchdog_device *watchdog; /* with `guard`; NULL: this machine's */
    /* Nanoseconds that this boot has spent asleep. NULL: this machine's. */
    int64_t (*slept_ns)(void *context);
    void *slept_context;
    const struct hf_clock_counters *counters; /* of the true clock; NULL: this machine's */
    double wall_limit_s;                      /* 0: none */
    /* Asks a person whether the requested settings are in force: 1 yes, 0 no. NULL: nobody to ask. */
    int (*ask_applied)(void *context, const char *page);
    void *ask_context;
    /* A few times a second, for a screen; NULL: nobody looks. */
    void (*show)(void *context, const struct hf_supervisor_view *view);
    void *show_context;
    /* The loop, for who has something to do on it that the run does not depend on: handles made in loop_begin
     * are unreferenced, and closed in loop_end, after which the loop turns until they are gone. May be NULL.
     */
    void (*loop_begin)(void *context, struct uv_loop_s *loop);
    void (*loop_end)(void *context);
    void *loop_context;
    /* One line per event, for a person. */
    void (*say)(void *context, const char *line);
    void *say_context;
};

struct hf_supervisor_result {
    enum hf_supervisor_end end;
    struct hf_text words;
    uint64_t blocks_checked;
    double wall_s;
};

/* 0, or the failure that ended it (sticky journal, no permission, a core that does not report planted errors,
 * ...). ret_result->words is released by the caller in either case. */
int hf_supervisor_run(const struct hf_supervisor_options *options, struct hf_supervisor_result *ret_result,
                      struct hf_error *error);

/* Boot identity: the kernel's, with "+n" after n resets of a simulated machine. */
int hf_supervisor_boot_id(const struct hf_profile *profile, const char *run_directory,
                          char ret_id[HF_BOOT_ID_MAX], struct hf_error *error);

#endif
