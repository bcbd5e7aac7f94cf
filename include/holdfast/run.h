/*
 * A run: one search, a directory that holds a frozen profile, the journal, and what was made from them.
 *
 *   profile.json   frozen copy     journal.jsonl   the truth      journal.torn   a torn tail, moved aside
 *   certificate-<group>.json/.html report.html     upload/        rig-boot (rig driver only): resets so far
 * Nothing hidden.
 *
 * One supervisor per run: an fcntl lock (of the open file description) on profile.json that dies with its
 * holder.
 *
 * Calling order: hf_run_open(); hf_run_add_event() and its kin, hf_journal_commit(run->journal) before acting
 * on anything that was added; hf_run_close().
 */
#ifndef HOLDFAST_RUN_H
#define HOLDFAST_RUN_H

#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/event.h"
#include "holdfast/journal.h"
#include "holdfast/profile.h"

/* An open trial, as folded. */
struct hf_run_trial {
    uint64_t trial; /* 0: no trial open */
    enum hf_purpose purpose;
    int group; /* or HF_GROUP_ALL */
    int step;
    int16_t joint_step[HF_GROUPS_MAX];
    double limit_s;
    double exposure_s; /* last journalled */
    uint64_t blocks;
    int loaded;                /* trial-loaded seen */
    int requested;             /* a person was asked to change the setting, and it was not confirmed yet */
    char boot[HF_BOOT_ID_MAX]; /* of the trial-begin line */
};

/* The state of a run: a fold over the journal and nothing else. */
struct hf_run_state {
    int version;
    uint64_t seed;
    char profile_digest[HF_SHA256_HEX];
    char method[HF_NAME_MAX];
    char tool[HF_NAME_MAX];
    int64_t first_wall_ns;
    int64_t last_wall_ns;
    double last_time_s; /* run time of the last record */
    char last_boot[HF_BOOT_ID_MAX];
    uint64_t records;
    uint64_t next_trial;
    uint64_t sessions;
    uint64_t resets;
    uint64_t verdicts[HF_VERDICT_VOID + 1];
    uint64_t next_slice;         /* slice number to go on with */
    int left_out[HF_GROUPS_MAX]; /* 1: the run goes on without it, hf_verdict_leaves_out() */
    int resets_without_verdict;  /* since the last judged trial: a pass, a failure other than a reset, or a
                                  * reset after at least 10 min under load */
    uint64_t last_reset_trial;
    int session_open; /* the last session did not end in good order */
    int parked;
    int finished;
    int proofs;                              /* proof records */
    int16_t setting[HF_GROUPS_MAX];          /* 1 + the step that was read back last; 0: none was */
    int open_count;                          /* trials open */
    struct hf_run_trial open[HF_GROUPS_MAX]; /* by group; a joint trial stands in open[0] with group ALL */
};

/* Called for each event in order while a run is opened; for the plan and the reports. */
typedef int hf_event_visitor(void *context, const struct hf_event *event, struct hf_error *error);

struct hf_run {
    char *directory;
    struct hf_profile *profile;
    struct hf_journal *journal;
    struct hf_run_state state;
    struct hf_journal_opening opening;
    int lock_fd; /* -1 when read-only */
    /* as the journal was found, before this process added to it */
    char boot_before[HF_BOOT_ID_MAX]; /* of its last record; "": a new run */
    int session_was_open;             /* the session that wrote it did not end in good order */
    double clock_factor;              /* 1 unless the rig's clock runs faster */
    hf_event_visitor *event_visitor;  /* as given */
    void *event_context;
    hf_record_visitor *record_visitor;
    void *record_context;
    int observe_live;
};

/* Default directory: $XDG_STATE_HOME/holdfast/NAME, else $HOME/.local/state/holdfast/NAME. */
int hf_run_default_directory(const char *profile_name, char *ret_path, size_t size, struct hf_error *error);

/* Before anything is written into a run directory by a path: refused (HF_E_INPUT) when it is a symbolic link,
 * belongs to another user, or others may write in it. hf_run_open() does it for a run that is to be written.
 */
int hf_run_directory_check(const char *directory, struct hf_error *error);

/* Opens or creates. `profile` NULL: the directory must hold a run. When both are given their digests must
 * agree: HF_E_MISMATCH otherwise. HF_E_BUSY when another supervisor holds the run. On creation the profile is
 * frozen and run-begin is committed. The visitors (may be NULL) see every event and every record of the
 * journal. */
struct hf_run_options {
    const struct hf_profile *profile;
    const char *method; /* NULL: the profile's */
    int read_only;      /* certify, report: no lock, nothing changed */
    struct hf_journal_options journal;
    hf_event_visitor *event_visitor;
    void *event_context;
    hf_record_visitor *record_visitor;
    void *record_context;
    int observe_live; /* 1: the visitors also see what this process adds, as a replay will see it */
};

int hf_run_open(const char *directory, const struct hf_run_options *options, struct hf_run **ret_run,
                struct hf_error *error);
void hf_run_close(struct hf_run *run); /* NULL is allowed */

/* Folds one more record into the state: a pure function. A fresh state is all zero bytes and begins with
 * run-begin. An impossible history (a verdict for a trial that is not open, exposure that shrinks, ...) is
 * HF_E_DAMAGED, naming the line; the state must then not be used any more. Payload keys it reads beside the
 * events': docs/journal.md. */
int hf_run_fold(struct hf_run_state *state, const struct hf_record *record, double clock_factor,
                struct hf_error *error);

/* The calls below add a line to the journal (uncommitted: hf_journal_commit() follows) and fold that very
 * line into the state, read as a replay would read it, so that state and journal never part. With
 * observe_live the visitors see it too: a plan fed by the visitor observes, to the bit, what a resumed run
 * would. An event's time_s is taken from the line's wall time, not from the caller. An event that makes no
 * sense by itself is refused (HF_E_RANGE) and nothing has happened; one that makes an impossible history
 * (HF_E_DAMAGED) stops the journal for good: the line never reaches the disk, and neither does a later one.
 */
int hf_run_add_event(struct hf_run *run, const struct hf_event *event, const char *reason,
                     struct hf_error *error);
/* The same with further payload members, written by `extra` (may be NULL) after the event's own. */
int hf_run_add_event_with(struct hf_run *run, const struct hf_event *event, const char *reason,
                          hf_payload_writer *extra, void *context, struct hf_error *error);
/* Exposure of `count` open trials, in as few records as hold them. */
int hf_run_add_exposure(struct hf_run *run, const struct hf_event *events, int count, struct hf_error *error);
/* Any other record (session-begin, slice, parked, ...): as hf_journal_begin() and hf_journal_end(). */
struct hf_json_writer *hf_run_begin_record(struct hf_run *run, enum hf_record_type type);
int hf_run_end_record(struct hf_run *run, struct hf_error *error);

/* Run time of a wall time: (wall - first wall) x clock factor. */
double hf_run_time_s(const struct hf_run *run, int64_t wall_ns);

#endif
