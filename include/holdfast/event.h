/*
 * The words of a run: verdicts, causes, purposes, and the events from which all state is folded.
 *
 * An event is what the journal stores (src/record encodes it) and what the plan observes (src/plan).
 * It carries no pointers, so it can be copied, compared and replayed. Times are seconds of the run's own
 * time: wall time on a real machine, scaled or virtual time with the rig model.
 */
#ifndef HOLDFAST_EVENT_H
#define HOLDFAST_EVENT_H

#include <stdint.h>

#define HF_GROUPS_MAX 256  /* core groups in one run */
#define HF_CPUS_MAX   8192 /* logical CPUs named by one profile */
#define HF_GROUP_ALL  (-1) /* a joint trial: every group that is not left out */
#define HF_GROUP_NONE (-2) /* nobody is indicted */
#define HF_NAME_MAX   32   /* bytes of a group, kernel, pattern or mix name, with its NUL */

enum hf_verdict {
    HF_VERDICT_NONE,
    HF_VERDICT_PASS,
    HF_VERDICT_FAIL,
    HF_VERDICT_VOID
};

/* Every verdict has a cause. Which causes go with which verdict: hf_cause_fits(). */
#define HF_CAUSE_LIST(X)                                                                                     \
    X(HF_CAUSE_NONE, "none")                                                                                 \
    X(HF_CAUSE_WRONG_RESULT, "wrong-result")                                                                 \
    X(HF_CAUSE_WORKER_DIED, "worker-died")                                                                   \
    X(HF_CAUSE_STALL, "stall")                                                                               \
    X(HF_CAUSE_MACHINE_RESET, "machine-reset")                                                               \
    X(HF_CAUSE_HARDWARE_ERROR, "hardware-error")                                                             \
    X(HF_CAUSE_OVER_TEMPERATURE, "over-temperature")                                                         \
    X(HF_CAUSE_CLOCK_SHORTFALL, "clock-shortfall")                                                           \
    X(HF_CAUSE_SETTING_LOST, "setting-lost")                                                                 \
    X(HF_CAUSE_INTERRUPTED, "interrupted")                                                                   \
    X(HF_CAUSE_TIME_SERVED, "time-served")                                                                   \
    X(HF_CAUSE_TOO_FEW_BLOCKS, "too-few-blocks") /* a crowded machine: time without work */

enum hf_cause {
#define HF_CAUSE_ENUM(code, name) code,
    HF_CAUSE_LIST(HF_CAUSE_ENUM)
#undef HF_CAUSE_ENUM
    HF_CAUSE_COUNT
};

/* Why a trial is made. */
#define HF_PURPOSE_LIST(X)                                                                                   \
    X(HF_PURPOSE_BASELINE, "baseline")   /* joint: is the machine sound before anything is raised? */        \
    X(HF_PURPOSE_BRACKET, "bracket")     /* upward until a group has failed once */                          \
    X(HF_PURPOSE_EDGE, "edge")           /* where the fault rate is learned */                               \
    X(HF_PURPOSE_HOLD, "hold")           /* under load at its chosen ratio while others search */            \
    X(HF_PURPOSE_SOAK, "soak")           /* joint: the chosen ratios together, the demonstrated claim */     \
    X(HF_PURPOSE_VERIFY, "verify")       /* one group, accept or reject a claim */                           \
    X(HF_PURPOSE_REPRODUCE, "reproduce") /* replay of a recorded failure */

enum hf_purpose {
#define HF_PURPOSE_ENUM(code, name) code,
    HF_PURPOSE_LIST(HF_PURPOSE_ENUM)
#undef HF_PURPOSE_ENUM
    HF_PURPOSE_COUNT
};

/* What kind of work a core does (a kernel says which): the rig's offsets, currents and droops depend on it.
 */
enum hf_load_class {
    HF_LOAD_IDLE,
    HF_LOAD_SCALAR,   /* light scalar: branch */
    HF_LOAD_MULTIPLY, /* integer multiply and divide */
    HF_LOAD_CRYPTO,   /* AES, SHA */
    HF_LOAD_VECTOR_INT,
    HF_LOAD_FMA_128,
    HF_LOAD_FMA_256,
    HF_LOAD_FMA_512,
    HF_LOAD_GATHER,
    HF_LOAD_MEMORY,
    HF_LOAD_ATOMIC,
    HF_LOAD_COUNT
};

enum hf_event_type {
    HF_EVENT_TRIAL_BEGIN,   /* the intent: on disk before any setting is touched */
    HF_EVENT_TRIAL_LOADED,  /* settings are in force and read back; exposure counts from here */
    HF_EVENT_EXPOSURE,      /* cumulative exposure of one open trial */
    HF_EVENT_RESET,         /* the machine reset under the open trials; their verdicts follow */
    HF_EVENT_VERDICT,       /* one trial ends */
    HF_EVENT_HARDWARE_ERROR /* a corrected error was reported on a core; the trial goes on or ends by its own
                               verdict */
};

/*
 * One event. Fields beyond type, time_s and trial are valid as listed:
 *   TRIAL_BEGIN     purpose, group (or HF_GROUP_ALL), step (single) or joint_step[] (joint), limit_s
 *   TRIAL_LOADED    -
 *   EXPOSURE        exposure_s, blocks
 *   RESET           group: whom the next boot's record names, else HF_GROUP_NONE. trial is 0.
 *   VERDICT         verdict, cause, exposure_s, blocks; group = whom a failure indicts (a joint trial names
 *                   the group whose core failed; HF_GROUP_NONE when nobody is named); cpu or -1.
 *                   After RESET each open trial gets its own verdict with cause machine-reset:
 *                   fail when indicted or when nobody is named, void when another group was named.
 *   HARDWARE_ERROR  group, cpu, exposure_s, corrected
 */
struct hf_event {
    enum hf_event_type type;
    enum hf_purpose purpose;
    enum hf_verdict verdict;
    enum hf_cause cause;
    uint64_t sequence; /* of the journal record it came from; 0 when rehearsed */
    uint64_t trial;    /* 1, 2, 3, ... within a run */
    double time_s;     /* run time when it happened */
    double limit_s;    /* longest exposure of the trial */
    double exposure_s; /* cumulative, run time seconds under load */
    uint64_t blocks;   /* cumulative, checked blocks */
    int group;
    int step;                          /* ratio = lowest ratio + step x ratio step */
    int cpu;                           /* the profile's logical CPU number, or -1 */
    int corrected;                     /* hardware errors: 1 corrected, 0 not */
    int16_t joint_step[HF_GROUPS_MAX]; /* step of every group in a joint trial; -1 left out */
};

const char *hf_verdict_name(enum hf_verdict verdict);
const char *hf_cause_name(enum hf_cause cause);
const char *hf_purpose_name(enum hf_purpose purpose);

/* Names back to codes; -1 when there is no such name. */
int hf_verdict_of_name(const char *name);
int hf_cause_of_name(const char *name);
int hf_purpose_of_name(const char *name);

/* 1 when the cause may accompany the verdict: time-served passes; wrong results, dead workers, stalls and
 * hardware errors fail; a reset fails or, when another group was named, voids; the rest void. */
int hf_cause_fits(enum hf_verdict verdict, enum hf_cause cause);

/* 1 when this verdict of a joint baseline trial leaves the group it names out for the rest of the run: void,
 * setting-lost. Its ratio could not be set before anything was proved, and the profile lets the run go on. */
struct hf_event;
int hf_verdict_leaves_out(enum hf_purpose purpose, const struct hf_event *verdict);

/* 1 for baseline and soak: the trial covers all groups at once. */
int hf_purpose_is_joint(enum hf_purpose purpose);

#endif
