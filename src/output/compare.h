/*
 * Many runs side by side: what the forms of the comparison share. A run is reduced to a summary as soon as it
 * has been read, so that a thousand runs fit.
 *
 * Invariants:
 *  1. runs[] is ordered by machine name, then by the time the run was begun, then by directory.
 *  2. before of a run is the nearest earlier proved run of the same machine, or NOTHING.
 *  3. A limit is what a proved run chose; a run that is not proved has none, and nothing moved in it.
 */
#ifndef HOLDFAST_OUTPUT_COMPARE_H
#define HOLDFAST_OUTPUT_COMPARE_H

#include "output/output_private.h"

#define COMPARE_FACTS_MAX 28

struct compare_group {
    char name[HF_NAME_MAX];
    double ratio; /* chosen, or at present; NAN: left out */
    double mhz;
    double edge, edge_low, edge_high; /* ratios: one fault a minute, with its 95 % interval; NAN: no belief */
    double hours_lower;               /* expected: one fault in so many hours at most; NAN */
};

struct compare_fact {
    char words[HF_CONDITION_TEXT_MAX]; /* "" where unknown */
};

struct compare_run {
    char *directory;
    char machine[HF_NAME_MAX];
    int64_t begun_wall_ns;
    int proved, spoiled, simulated;
    double shown_hours, hours_per_fault; /* demonstrated; NAN */
    double voltage_mv;                   /* as entered; NAN */
    double ratio_step;
    int trials, failures, resets;
    struct compare_fact fact[COMPARE_FACTS_MAX];
    struct compare_group *group;
    int group_count;
    size_t before; /* in runs[], or HF_EVIDENCE_NOTHING */
};

/* How a limit moved between two proved runs of one machine. */
struct compare_move {
    double from, to;
    int beyond_chance; /* 1: the intervals of the edge do not meet; 0: they do; -1: a run has no belief */
};

/* The newest proved run of each machine, all its groups. */
struct compare_spread {
    int machines, count;
    double lowest, quarter, median, three_quarters, highest;
    double fence_low, fence_high; /* outside: an outlier; NAN: too few values to say */
};

struct hf_compare {
    struct compare_run *runs;
    size_t run_count;
    struct compare_spread spread;
};

int compare_fact_count(void);
const char *compare_fact_name(int fact);

/* 1 when the group's limit moved against the run before. */
int compare_moved(const struct hf_compare *compare, size_t run, int group, struct compare_move *ret_move);
/* "voltage, as entered: 1150 mV, was 1200 mV; ..."; nothing when nothing changed. */
void compare_changes(const struct hf_compare *compare, size_t run, struct hf_text *text);
/* "g0 +0.50, g3 -0.25" */
void compare_moves(const struct hf_compare *compare, size_t run, struct hf_text *text);
/* 1 when this run counts in the spread, */
int compare_is_newest(const struct hf_compare *compare, size_t run);
/* and 1 when a ratio is outside the fences. */
int compare_is_outlier(const struct compare_spread *spread, double ratio);
/* One past the last run of the machine that begins at `first`. */
size_t compare_machine_end(const struct hf_compare *compare, size_t first);
/* How many different voltages were entered in the machine's proved runs. */
int compare_voltages(const struct hf_compare *compare, size_t first, size_t end);

#endif
