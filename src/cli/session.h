/*
 * What search, verify and reproduce share: profile, mix, driver, plan and run, opened in the right order and
 * with the safety rules applied.
 */
#ifndef HOLDFAST_CLI_SESSION_H
#define HOLDFAST_CLI_SESSION_H

#include <limits.h>

#include "harness/directors.h"
#include "harness/supervisor.h"
#include "holdfast/reset.h"

struct hf_session_options {
    const char *command;
    const char *profile_path;  /* NULL: the run's frozen profile */
    const char *run_directory; /* NULL: the default for the profile's name */
    const char *method;        /* NULL: the profile's */
    const char *by;            /* HH:MM: the deadline of a new run; NULL: the profile's */
    int accept_the_risk;
    int salvage;
    int json; /* progress goes to stderr */
    int unpark;
    void (*say)(void *context, const char *line); /* takes the lines of progress instead; may be NULL */
    void *say_context;
    /* See the journal as it is read, and what is added to it afterwards; beside the plan. May be NULL. */
    hf_event_visitor *observer;
    hf_record_visitor *record_observer;
    void *observer_context;
};

struct hf_session {
    struct hf_session_options options;
    char directory[PATH_MAX];
    struct hf_profile *profile;
    struct hf_mix mix;
    const struct hf_driver_ops *driver;
    struct hf_plan *plan;
    struct hf_search_director search;
    struct hf_director director;     /* of the search */
    struct hf_fixed_director *fixed; /* of verify and reproduce: set after opening, sees what follows */
    struct hf_run *run;
    char boot_id[HF_BOOT_ID_MAX];
    struct hf_reset_witness witness; /* none, but in an emulator that asks for one */
};

int hf_session_open(const struct hf_session_options *options, struct hf_session **ret_session,
                    struct hf_error *error);
void hf_session_close(struct hf_session *session); /* NULL is allowed */

/* Runs a fixed director over the session's run: verify and reproduce. As hf_supervisor_run(). */
int hf_session_run_fixed(struct hf_session *session, struct hf_fixed_director *fixed,
                         struct hf_supervisor_result *ret_result, struct hf_error *error);

/* The same with any director, fed by the options' observer. `mix` is the load that its slices are drawn from.
 */
int hf_session_run_director(struct hf_session *session, const struct hf_director *director,
                            const struct hf_mix *mix, struct hf_supervisor_result *ret_result,
                            struct hf_error *error);

/* Adds a note to the journal and has it on disk. */
int hf_session_note(struct hf_session *session, const char *text, struct hf_error *error);

/* A line of progress: stdout, or stderr with --json. The context is the session. */
void hf_session_say(void *context, const char *line);

/* Finds the run directory: --run, or the default for the profile's name. */
int hf_session_directory(const char *run_directory, const char *profile_path, char *ret_path, size_t size,
                         struct hf_error *error);

#endif
