/*
 * search --by HH:MM. A deadline shapes what the plan proposes, so it belongs to the run: it goes into the
 * profile that the run freezes ("search": {"deadline_hours": ...}), where certify and report find it too. A
 * run that has begun keeps the one it began with, whatever the command line says later.
 */
#ifndef HOLDFAST_CLI_DEADLINE_H
#define HOLDFAST_CLI_DEADLINE_H

#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/profile.h"

/* Seconds from now to the next time the clock on the wall shows HH:MM here (local time). HF_E_USAGE: not such
 * a time. */
int hf_deadline_parse(const char *text, int64_t now_wall_ns, double *ret_seconds, struct hf_error *error);

/* Before the run in `directory` is opened: gives *profile, which was read from the file named on the command
 * line, the deadline of the run that is there, or else the one asked for, in seconds of run time (0: none
 * asked for). HF_E_RANGE: the deadline leaves no time for the baseline's proof and the soak. */
int hf_deadline_settle(const char *directory, double wanted_s, struct hf_profile **profile,
                       struct hf_error *error);

#endif
