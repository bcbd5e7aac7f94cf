/* What has changed since a certificate was earned: the conditions of then beside those of now. */
#ifndef HOLDFAST_CLI_CONDITIONS_H
#define HOLDFAST_CLI_CONDITIONS_H

#include "holdfast/evidence.h"
#include "holdfast/topology.h"

#define HF_CONDITION_CHANGES_MAX (HF_CONDITION_COUNT + 2)

struct hf_condition_change {
    const char *name; /* "microcode", "voltage_mv", ... */
    char before[HF_CONDITION_TEXT_MAX];
    char now[HF_CONDITION_TEXT_MAX];
    int voids; /* 1: what was proved then says nothing about now: processor, microcode, firmware, SMT, memory,
                * voltage. 0: kernel, governor: it counts for less */
};

/* What only a person can tell; NAN: as the profile says. */
struct hf_conditions_entered {
    double voltage_mv;
    double memory_mts; /* the memory's speed, million transfers a second */
};

/* The session that earned the certificate; NULL: the run is not finished. */
const struct hf_evidence_session *hf_conditions_session(const struct hf_evidence *evidence);

/* The facts as the journal words them. */
void hf_conditions_of_facts(const struct hf_machine_facts *facts,
                            char ret_now[HF_CONDITION_COUNT][HF_CONDITION_TEXT_MAX]);

/* Compares; returns how many changed. What is unknown on either side is no change. */
int hf_conditions_compare(const struct hf_evidence_session *session, const struct hf_profile *profile,
                          char now[HF_CONDITION_COUNT][HF_CONDITION_TEXT_MAX],
                          const struct hf_conditions_entered *entered,
                          struct hf_condition_change ret_changes[HF_CONDITION_CHANGES_MAX]);

/* Share of the old evidence that still counts: a half when nothing has changed, half as much for each change,
 * nothing after one that voids it. */
double hf_conditions_credit(const struct hf_condition_change *changes, int count);

#endif
