/*
 * Evidence that leaves the program: report.html kept fresh and uploads started while a run goes on (the
 * keeper, on the supervisor's loop), and what is left sent when it is over. Nothing here can fail a run: what
 * does not work is said, and stays queued.
 */
#ifndef HOLDFAST_CLI_SENDING_H
#define HOLDFAST_CLI_SENDING_H

#include "holdfast/event.h"
#include "holdfast/profile.h"
#include "holdfast/upload.h"

struct hf_keeper;
struct uv_loop_s;

struct hf_keeper_options {
    const char *directory;
    const struct hf_profile *profile;
    void (*say)(void *context, const char *line);
    void *say_context;
};

/* NULL without memory: the run goes on without. */
struct hf_keeper *hf_keeper_new(const struct hf_keeper_options *options);
void hf_keeper_free(struct hf_keeper *keeper); /* NULL is allowed; after hf_keeper_end() */

/* An event of the run: after a verdict the report is out of date. */
void hf_keeper_observe(struct hf_keeper *keeper, const struct hf_event *event);

/* The supervisor's loop_begin and loop_end. */
void hf_keeper_begin(void *keeper, struct uv_loop_s *loop);
void hf_keeper_end(void *keeper);

/* Sends what waits, on a loop of its own: for at most limit_s seconds, or until a signal comes. `patient`:
 * waits for the next attempt of what failed; else ends when nothing is due. */
struct hf_sending {
    const char *directory;
    struct hf_profile_upload server; /* url "": nothing is sent */
    double limit_s;
    int patient;
    int retry; /* parked files, too */
    void (*say)(void *context, const char *line);
    void *say_context;
};

/* 0: the queue says what became of it (hf_upload_queue_open(), read-only). */
int hf_send(const struct hf_sending *sending, struct hf_error *error);

#endif
