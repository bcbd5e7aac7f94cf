/* Nights shared among processes. Used by rehearse.c only. */
#ifndef HOLDFAST_HARNESS_REHEARSE_JOBS_H
#define HOLDFAST_HARNESS_REHEARSE_JOBS_H

#include "harness/rehearse_night.h"

#define HF_JOBS_MAX 256

/* Rehearses night `number` and scores it. */
typedef int hf_night_job(void *context, int number, struct hf_decision_times *times,
                         struct hf_rehearse_night *ret_night, struct hf_error *error);
/* Takes a night that is over; nights come in the order in which they end. */
typedef void hf_night_taker(void *context, const struct hf_rehearse_night *night);

/* Rehearses nights 0 to rigs - 1: with jobs 1 in this process, else in so many children, child j taking every
 * jobs-th night from j on. A night depends on nothing but its number, so the result does not depend on jobs.
 * The first failure ends it all. */
int hf_nights_share(int rigs, int jobs, hf_night_job *job, hf_night_taker *take, void *context,
                    struct hf_decision_times *times, struct hf_error *error);

#endif
