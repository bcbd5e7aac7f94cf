/* What the forms of the report share: text, JSON and HTML say the same from the same facts. */
#ifndef HOLDFAST_OUTPUT_REPORT_H
#define HOLDFAST_OUTPUT_REPORT_H

#include "output/output_private.h"

struct report_facts {
    const struct hf_evidence *evidence;
    const struct hf_profile *profile;
    const int *true_limit; /* NULL: unknown */
    struct hf_evidence_soak soak;
    struct hf_demonstrated shown; /* when soak.plan.passed */
    int proved;                   /* the run is finished and its soak stands */
    int spoiled;                  /* failures at or below a soaked ratio since it finished */
    struct hf_evidence_group group[HF_GROUPS_MAX];
};

/* About 100 KiB: NULL when there is no memory; released with hf_free. */
struct report_facts *report_facts_new(const struct hf_evidence *evidence, const int *true_limit);

/* "finished", "unfinished", "waits for a person", "cannot be replayed", ... */
void report_state(const struct report_facts *facts, struct hf_text *text);
/* One sentence: what the soak has shown, or how far it is. */
void report_shown(const struct report_facts *facts, struct hf_text *text);
/* "310 hours, at least 80 hours" or "-" */
void report_expected(const struct report_facts *facts, int group, struct hf_text *text);
/* "g1 cpu 6", "nobody named" */
void report_culprit(const struct report_facts *facts, const struct hf_evidence_trial *trial,
                    struct hf_text *text);
/* "fma-residue 512, square", "" */
void report_finder(const struct report_facts *facts, const struct hf_evidence_trial *trial,
                   struct hf_text *text);
/* "40.25", or "joint" when all groups ran and none is named */
void report_ratio(const struct report_facts *facts, const struct hf_evidence_trial *trial,
                  struct hf_text *text);
/* holdfast reproduce --run 'DIR' --trial N, ready for a shell */
void report_reproduce(const struct report_facts *facts, const struct hf_evidence_trial *trial,
                      struct hf_text *text);

/* --- report_plots.c: pictures of one group --- */

/* How much detail fits the page. */
struct report_budget {
    int groups; /* that get plots of their own */
    int marks;  /* in one plot */
    int rows;   /* of the failure table */
};

/* The group's ladder and its time-to-fault plot, two drawings. */
void report_plot_ladder(struct hf_text *text, const struct report_facts *facts, int group, int marks_max,
                        int number);
void report_plot_faults(struct hf_text *text, const struct report_facts *facts, int group, int marks_max,
                        int number);
/* --- report_night.c --- */

/* All groups over the night; heat and clock beneath: 0 when nothing was measured, and nothing is drawn. */
void report_plot_night(struct hf_text *text, const struct report_facts *facts, int number);
int report_plot_heat(struct hf_text *text, const struct report_facts *facts, int number);
int report_plot_clock(struct hf_text *text, const struct report_facts *facts, int number);

/* --- report_map.c --- */

/* The groups and their cores, coloured by the ratio. */
void report_plot_map(struct hf_text *text, const struct report_facts *facts, int number);

/* Groups that get plots of their own, in order: those with failures first when there is no room for all.
 * Returns how many. */
int report_shown_groups(const struct report_facts *facts, int max, int *ret_groups);

#endif
