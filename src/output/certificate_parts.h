/*
 * What the two files of a certificate share: certificate.c (what it is about, what was demonstrated, what is
 * expected, and the whole) and certificate_evidence.c (margin, load, conditions, limits of the proof,
 * cautions).
 */
#ifndef HOLDFAST_OUTPUT_CERTIFICATE_PARTS_H
#define HOLDFAST_OUTPUT_CERTIFICATE_PARTS_H

#include "output/output_private.h"

#define SUM_DIGITS      9 /* of numbers that come from sums */
#define BELIEF_DIGITS   6 /* of numbers that come from the belief */
#define SECONDS_AN_HOUR 3600.0

/* Everything that the parts of one document need. */
struct hf_certificate_document {
    const struct hf_evidence *evidence;
    const struct hf_profile *profile;
    struct hf_json_writer *writer;
    int group; /* or HF_GROUP_ALL */
    int step;  /* of the group; -1 for the machine */
    struct hf_evidence_soak soak;
    struct hf_evidence_group own; /* of the group */
    struct hf_demonstrated shown;
    const struct hf_evidence_session *session;
};

void hf_certificate_rounded(struct hf_json_writer *writer, const char *key, double value, int digits);
void hf_certificate_time(struct hf_json_writer *writer, const char *key, int64_t wall_ns);
void hf_certificate_words(struct hf_json_writer *writer, const char *key, struct hf_text *words);

/* Members `margin` to `hardware_errors`: parts 4 and 5. */
void hf_certificate_write_evidence(const struct hf_certificate_document *document);

/* Members `conditions` to `cautions`: parts 6 and 7. */
void hf_certificate_write_conditions(const struct hf_certificate_document *document);

#endif
