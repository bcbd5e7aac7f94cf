/* What the files of src/output share with one another and with their tests. */
#ifndef HOLDFAST_OUTPUT_OUTPUT_PRIVATE_H
#define HOLDFAST_OUTPUT_OUTPUT_PRIVATE_H

#include "holdfast/evidence.h"
#include "holdfast/journal.h"
#include "holdfast/run.h"

/* --- evidence_record.c: payloads that are no events --- */

/* Files one record into the evidence (session, proof, setting, mismatch, verdict detail, ...). */
int hf_evidence_take_record(struct hf_evidence *evidence, const struct hf_record *record,
                            struct hf_error *error);

/* --- evidence.c --- */

/* Like hf_evidence_open, without the plan: quick, for questions that do not need one. */
int hf_evidence_open_bare(const char *directory, struct hf_evidence **ret_evidence, struct hf_error *error);

/* Room for one more item of an array that grows to at most `max` items; returns it zeroed, or NULL and an
 * error. */
void *hf_evidence_grow(void **array, size_t *count, size_t *capacity, size_t item_size, size_t max,
                       const char *what, struct hf_error *error);
struct hf_evidence_trial *hf_evidence_find_trial(struct hf_evidence *evidence, uint64_t trial);
/* Offset in evidence->words of a copy of the string. */
size_t hf_evidence_keep_words(struct hf_evidence *evidence, const char *string);

/* --- evidence_meters.c --- */
void hf_evidence_meters_init(struct hf_evidence_meters *meters); /* nothing is told */
void hf_evidence_meters_take(struct hf_evidence *evidence, const struct cJSON *data,
                             struct hf_evidence_meters *ret_meters);
/* Adds what was told over one_s seconds to what was told over sum_s. */
void hf_evidence_meters_add(struct hf_evidence_meters *sum, double sum_s,
                            const struct hf_evidence_meters *one, double one_s);
/* The hottest sensors, as an array of {role, sensor, CELSIUS_KEY}. */
void hf_evidence_meters_write(const struct hf_evidence *evidence, const struct hf_evidence_meters *meters,
                              struct hf_json_writer *writer, const char *key, const char *celsius_key);
const char *hf_evidence_words(const struct hf_evidence *evidence, size_t offset); /* "" for NOTHING */
double hf_evidence_time_s(const struct hf_evidence *evidence, int64_t wall_ns);

/* --- words.c: how things are said, and made harmless --- */

/* For HTML text and attribute values: & < > " ' are escaped, control and direction characters become U+FFFD.
 */
void hf_words_html(struct hf_text *text, const char *string);

#define HF_WORDS_MAX 64

/* "2.0 hours", "31.4 minutes", "3.1 days": rounded down, so that it never says more than is proved. */
void hf_words_time_floor(double hours, char ret_words[HF_WORDS_MAX]);
/* "g1: a core (CPU 5) fails at any ratio, about once in 3 h of load: no lower ratio mends that.", when that
 * is more likely than not; what the deadline cost, when it ended the search. Nothing otherwise. */
void hf_words_defect(const struct hf_profile *profile, int group, const struct hf_plan_view *view,
                     struct hf_text *words);
void hf_words_deadline(const struct hf_plan *plan, struct hf_text *words); /* NULL: nothing */
/* "95 %", "99.9 %" */
void hf_words_percent(double share, char ret_words[HF_WORDS_MAX]);
/* "7 days", "310 hours", "more than 10 years", "an unknown time": two digits. The second says "about 310
 * hours". */
void hf_words_time(double hours, char ret_words[HF_WORDS_MAX]);
void hf_words_time_about(double hours, char ret_words[HF_WORDS_MAX]);
/* "41.25": a ratio without needless zeros, at least two decimals */
void hf_words_ratio(const struct hf_profile *profile, int step, char ret_words[HF_WORDS_MAX]);
/* Short exposure: 42 s, 3.5 min, 2.7 h; "-" for NAN */
void hf_words_exposure(double seconds, char ret_words[HF_WORDS_MAX]);
/* "2026-11-25 09:27:31" (UTC) */
void hf_words_moment(int64_t wall_ns, char ret_words[HF_WORDS_MAX]);
void hf_words_group_cpus(const struct hf_profile *profile, int group, struct hf_text *text);

/* --- certificate.c --- */

struct hf_demonstrated {
    double hours;               /* T */
    double confidence;          /* C */
    int attempt;                /* of this set of ratios: 1, 2, ... */
    double rate_upper_per_hour; /* -ln(1 - C) / T; at the m-th attempt ln(m / (1 - C)) / T */
    double hours_per_fault;     /* 1 / rate */
};

/* What a soak of served_s without a fault proves. */
struct hf_demonstrated hf_demonstrated_of(double served_s, double confidence, int attempt);

/* Median and upper bound of the expected rate at a step; 0 when the plan has none. */
int hf_expected_rate(const struct hf_evidence *evidence, int group, int step, double *ret_median_per_hour,
                     double *ret_upper_per_hour);

/* Failures that speak against the group, named ones first, then the lowest ratio; at most max (below 64).
 * Returns how many. */
int hf_nearest_failures(const struct hf_evidence *evidence, int group, size_t *ret_trials, int max);

/* The first failure recorded after record number `sequence` that speaks against the group (or any,
 * HF_GROUP_ALL) at or below its step in soaked[]; NULL when there is none. *ret_count (may be NULL): how many
 * there are. */
const struct hf_evidence_trial *hf_later_failure(const struct hf_evidence *evidence, uint64_t sequence,
                                                 int group, const int16_t *soaked, int *ret_group,
                                                 int *ret_count);

/* 1 when the run's driver simulates the machine. */
int hf_is_simulated(const struct hf_evidence *evidence);
void hf_simulation_words(const struct hf_evidence *evidence, struct hf_text *text);
/* The session in which the run was finished, or the last one; NULL when there is none. */
const struct hf_evidence_session *hf_last_session(const struct hf_evidence *evidence);

#endif
