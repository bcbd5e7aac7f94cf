/*
 * Setting drivers: what applies a ratio to a core group and reads it back.
 *
 * Calling order: ops->open(); then apply, read_back and hf_driver_to_baseline() as often as wanted; poll at
 * least every 50 ms while anything is loaded; ops->close(). A driver works in steps of the profile's ratio
 * grid and refuses a step above a group's highest. Nothing is written before the journal holds the intent:
 * that is the caller's duty. After open every group counts as at its baseline (rig), as what is in force
 * (cpufreq), or as unknown (sheet).
 *
 * Of the real drivers, `cpufreq` writes the kernel's clock limits, within what the firmware allows; `command`
 * asks a program of the user's; `sheet` asks a person. docs/drivers.md says what each needs and does.
 *
 * `rig` also plays the machine: its poll says which damage the simulated processor does, its sensors show the
 * model's temperatures and clocks. Real drivers never return damage. `command` and `sheet` can be put in
 * front of the rig (hf_driver_rig_set_by), with a folder between them that stands for the board.
 */
#ifndef HOLDFAST_DRIVER_H
#define HOLDFAST_DRIVER_H

#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/event.h"
#include "holdfast/host.h"
#include "holdfast/rig.h"
#include "holdfast/text.h"

#define HF_DRIVER_DAMAGE_MAX 8

/* Told before a file of the machine is written, with its present content: the caller makes it durable, so
 * that the file can be put back after a kill. A failure keeps the driver from writing. */
typedef int hf_driver_note(void *context, const char *file, const char *old, const char *value,
                           struct hf_error *error);

/* What one change of ratio costs. */
struct hf_driver_cost {
    double apply_s;
    int needs_reboot;
    int needs_person;
};

enum hf_apply_result {
    HF_APPLY_DONE,     /* made; read_back tells what is in force */
    HF_APPLY_REQUESTED /* a person has to do it: the request text says what; the run exits or waits */
};

struct hf_driver_group {
    const char *name;
    const int16_t *cpus;
    int cpu_count;
    int baseline_step;
    int highest_step;
    int left_out; /* 1: none of the run's; nobody sets it, not even to its baseline */
};

/* Stays the caller's, with all that it points to, and must outlive the driver's state. */
struct hf_driver_config {
    int group_count;
    const struct hf_driver_group *groups;
    double base_clock_mhz, ratio_lowest, ratio_step;
    int step_count;
    /* cpufreq only. Without a note nothing can be applied: apply fails. */
    const struct hf_host *host;
    hf_driver_note *note;
    void *note_context;
    /* command only: program and arguments, and how long one call of it may take */
    const char *const *command;
    int command_count;
    double command_limit_s;
    /* sheet only: what was in force last, by an earlier session's record; -1: not known. NULL: nothing is. */
    const int16_t *last_step;
    /* rig only */
    const struct hf_rig_config *rig;
    const char *board;         /* the folder of the ratios, when they are set from outside; NULL otherwise */
    const char *run_directory; /* where rig-boot lives; NULL: nothing is kept, and the machine cannot reset */
    double clock_factor;
    double run_time_s; /* run time already passed: the model's slow drift goes on from there */
};

struct hf_driver_ops {
    const char *name;
    const char *sentence; /* for survey and --help: what it moves, and within what limits */
    int is_simulated;
    int waits; /* apply and read_back may take seconds: a loop calls them from a thread, one at a time */
    int (*open)(const struct hf_driver_config *config, void **ret_state, struct hf_error *error);
    void (*close)(void *state);
    void (*cost)(const void *state, struct hf_driver_cost *ret_cost);
    /* Sets the steps of the groups with wanted[group] >= 0, all at once; -1 leaves a group as it is.
     * `request` (initialised by the caller) receives the text a person must read when the result is
     * HF_APPLY_REQUESTED. HF_E_REFUSED: a step above the group's highest; nothing is changed then. */
    int (*apply)(void *state, const int16_t *wanted, enum hf_apply_result *ret_result,
                 struct hf_text *request, struct hf_error *error);
    /* The step in force; -1: it cannot be told (a person must be asked). A setting can be lost at any time,
     * so read back before a pass is believed, not only after apply. */
    int (*read_back)(void *state, int group, int *ret_step, struct hf_error *error);
    /* What apply would do, a line each, without doing any of it. NULL: as apply's request (sheet), or
     * nothing. */
    int (*describe)(void *state, const int16_t *wanted, struct hf_text *lines, struct hf_error *error);
    /* What it has to say beside its results (a program's standard error) since it was asked last. May be
     * NULL. */
    void (*take_words)(void *state, struct hf_text *words);
    /* A person's answer to a request (sheet): the step that is in force now. May be NULL. */
    int (*confirm)(void *state, int group, int step, struct hf_error *error);

    /* --- the simulated machine; NULL in real drivers --- */
    /* What runs on the group now, as a mixture of slices (hf_rig_set_load); count 0: idle. */
    int (*load)(void *state, int group, const struct hf_load_slice *slices, int count,
                struct hf_error *error);
    /* Its workers are starting: it draws the load's current from now on, but has no faults until begin_run.
     */
    int (*prepare)(void *state, int group, const struct hf_load_slice *slices, int count,
                   struct hf_error *error);
    void (*begin_run)(void *state, int group);
    /* Which cores of the group carry that load: bit c for core c. All do until this is called. */
    void (*cores)(void *state, int group, uint32_t cores);
    /* Moves the model by run_seconds; returns how many damages became due, in order of time, at most
     * HF_DRIVER_DAMAGE_MAX. Of one group at most one corrected error and one worse fault are told a call: the
     * caller ends the group's trial on it. Nothing follows a reset. Time that did not fit is made up by the
     * next call. */
    int (*poll)(void *state, double run_seconds, struct hf_rig_fault *ret_damage);
    /* 1: a damage was told and is being noticed, in the wall's time and not in the model's faster one: the
     * model stands still, and no run time counts. */
    int (*is_waiting)(const void *state);
    /* A reset of the simulated machine: makes the next boot durable. The caller then dies without a word;
     * every later call but close fails. */
    int (*reset)(void *state, struct hf_error *error);
    /* Resets so far: the "+n" of the boot id. */
    uint64_t (*boot_count)(const void *state);
    double (*group_celsius)(const void *state, int group);
    double (*group_mhz)(const void *state, int group);
};

/* The driver of that name; NULL when there is none. */
const struct hf_driver_ops *hf_driver_find(const char *name);
/* The rig whose ratios are set from outside, by "command" or "sheet" (of the profile's rig section); for ""
 * the rig itself; NULL when there is no such. */
const struct hf_driver_ops *hf_driver_rig_set_by(const char *set_by);
int hf_driver_count(void);
const struct hf_driver_ops *hf_driver_at(int index);

/* Applies the baseline of every group that is not left out, together and then, if that fails, one by one, and
 * believes it only after read_back. HF_E_UNPROVED (a person has to do it) or HF_E_MISMATCH names each group
 * whose return cannot be confirmed. */
int hf_driver_to_baseline(const struct hf_driver_ops *ops, void *state, const struct hf_driver_config *config,
                          struct hf_error *error);

/* Boot count of a rig run without opening the driver: 0 when the file is missing; HF_E_DAMAGED when it is not
 * what the rig wrote. */
int hf_rig_boot_count(const char *run_directory, uint64_t *ret_count, struct hf_error *error);

#endif
