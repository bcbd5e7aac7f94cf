/*
 * The guardian: sees to it that a machine that hangs resets by itself, and listens to what its hardware
 * reports.
 *
 * Invariants
 *  1. The watchdog is petted only from the loop's tick, and only while every busy worker makes progress: a
 * machine on which the loop or a core stands still is reset, not kept alive.
 *  2. A kernel setting is changed only after its old value stands in the journal (undo.h), and put back at
 * the end.
 *  3. What this boot reports about the end of the one before is journalled before anything else of the
 * session.
 *
 * Calling order: hf_guardian_begin() once the session stands in the journal; hf_guardian_tick() from the
 * loop; hf_guardian_end() after the groups are back at their baseline. Whatever the machine lacks is said and
 * done without.
 */
#ifndef HOLDFAST_HARNESS_GUARDIAN_H
#define HOLDFAST_HARNESS_GUARDIAN_H

#include <stdint.h>

#include "holdfast/error.h"

struct hf_supervisor;
struct hf_guardian;

/* Fails only when the journal does, or memory is short. */
int hf_guardian_begin(struct hf_supervisor *s);
void hf_guardian_tick(struct hf_supervisor *s, int64_t now_ns);
/* Safe in any state; a killed session's settings are put back by the next one in the same boot. */
void hf_guardian_end(struct hf_supervisor *s);

/* A driver is about to write a file of the machine: its present content goes to the journal first, and back
 * into the file at the end of this session or, after a kill, of the next one in the same boot. */
int hf_guardian_note(struct hf_supervisor *s, const char *file, const char *old, const char *value,
                     struct hf_error *error);

/* Seconds after the load within which an error of it may still be reported; 0 when nothing is polled. */
double hf_guardian_drain_s(const struct hf_supervisor *s);

/* Whom the reports name for the reset before this boot: a group (HF_GROUP_NONE: nobody) and a CPU (-1). */
int hf_guardian_culprit(const struct hf_supervisor *s, int *ret_cpu);

#endif
