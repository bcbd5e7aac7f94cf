/*
 * The store that outlives a reset (pstore), from one session to the next: a dump tells of the end of one
 * boot, and stays there until somebody removes it. Each is read once, by the first session that finds it;
 * what lay there when the run began is no matter of this run.
 */
#ifndef HOLDFAST_HARNESS_STORE_WATCH_H
#define HOLDFAST_HARNESS_STORE_WATCH_H

#include "holdfast/hardware_errors.h"

struct hf_supervisor;

/* Gives the dumps that are new since the run's last session to the joiner, when `new_boot`, and journals the
 * names of all that are there now. The failure is the journal's or memory's, in s->error. */
int hf_store_watch_read(struct hf_supervisor *s, const struct hf_host *host, int new_boot,
                        struct hf_error_joiner *joiner, int64_t now_ns);

#endif
