/*
 * Hardware error reports during a run: journalled with their raw text, given to the plan as hardware errors
 * of their group, and, from the boot's own messages, as the culprit of a reset.
 *
 * A corrected error on a core of a group under trial fails that trial: the ratio is at fault until shown
 * otherwise, and nothing had to die for it. Reports that name no CPU, or one outside the groups, are
 * journalled as notes. The kernel finds corrected errors by polling; the interval is shortened for the run.
 */
#ifndef HOLDFAST_HARNESS_ERROR_WATCH_H
#define HOLDFAST_HARNESS_ERROR_WATCH_H

#include <stdint.h>

#include "harness/undo.h"
#include "holdfast/hardware_errors.h"

struct hf_supervisor;
struct hf_error_watch;

#define HF_ERROR_POLL_S 2 /* the kernel looks for corrected errors this often during a run */

/* Opens what can be opened, says what cannot, and reads the past: what this boot reported before the session,
 * and what it says of the boot before, which is journalled when this is the run's first session in this boot.
 * The failure is the journal's or memory's, in s->error. */
int hf_error_watch_new(struct hf_supervisor *s, const struct hf_host *host, struct hf_undo *undo,
                       struct hf_error_watch **ret_watch);
void hf_error_watch_free(struct hf_error_watch *watch); /* NULL is allowed */

/* Reads what is there, at most five times a second. */
void hf_error_watch_tick(struct hf_error_watch *watch, int64_t now_ns);

/* A trial whose time is served stays open for so long: an error may be reported late. 0: nothing is polled
 * here. */
double hf_error_watch_drain_s(const struct hf_error_watch *watch);

int hf_error_watch_culprit(const struct hf_error_watch *watch, int *ret_cpu);

#endif
