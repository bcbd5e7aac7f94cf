/*
 * Evidence: a run read back from its journal, and what is made from it: certificates, report, summary.
 *
 * Calling order: hf_evidence_open(); read the fields, or hand it to hf_certificate_*, hf_report_*;
 * hf_evidence_free(). Everything here comes from the journal and the frozen profile: nothing is asked of the
 * machine, no clock is read, so the same journal always gives the same bytes. Opening is read-only: no lock
 * is taken, nothing on disk changes.
 *
 * Times ending in _s are seconds of the run's own time (scaled with the rig model), since the run began.
 * Hours are hours of run time. NAN stands for a value that the journal does not hold.
 */
#ifndef HOLDFAST_EVIDENCE_H
#define HOLDFAST_EVIDENCE_H

#include <stddef.h>
#include <stdint.h>

#include "holdfast/checksum.h"
#include "holdfast/error.h"
#include "holdfast/event.h"
#include "holdfast/json.h"
#include "holdfast/plan.h"
#include "holdfast/profile.h"
#include "holdfast/text.h"

/* --- what was found in the journal ------------------------------------------------------------------ */

/* Share of a trial that one entry of the mix had. */
struct hf_evidence_load {
    char kernel[HF_NAME_MAX];
    char pattern[HF_NAME_MAX];
    int width_bits;
    double exposure_s;
    uint64_t blocks;
};

/* A wrong result in detail: one mismatch record. */
struct hf_evidence_mismatch {
    uint64_t sequence;
    uint64_t trial;
    uint64_t slice;
    uint64_t slice_seed, block, block_seed, steps;
    uint64_t expected, got, xor_mask;
    int group, cpu, worker, width_bits, lane;
    int agreed; /* 1: the recomputation elsewhere confirmed that the result was wrong */
    double celsius, mhz;
    char kernel[HF_NAME_MAX], isa[HF_NAME_MAX], operands[HF_NAME_MAX], pattern[HF_NAME_MAX],
        sync[HF_NAME_MAX];
};

#define HF_EVIDENCE_NOTHING ((size_t)-1) /* an index that points nowhere */

/* The hottest sensor of a role in a trial, or over several. */
#define HF_EVIDENCE_ROLES 4 /* core-group, package, supply, coolant */

struct hf_evidence_hottest {
    double celsius; /* NAN: none was believed */
    size_t sensor;  /* its name, in words; or NOTHING */
};

const char *hf_evidence_role_name(int role);

/* What a real machine's own meters told: power of the package, the hottest sensors, the clock's source. */
struct hf_evidence_meters {
    double watts_mean, watts_highest; /* NAN: not told */
    struct hf_evidence_hottest hottest[HF_EVIDENCE_ROLES];
    size_t clock_source; /* "counters-acpi", ...: in words; or NOTHING */
};

/* A trial from its intent to its verdict. */
struct hf_evidence_trial {
    uint64_t trial;
    uint64_t begin_sequence, end_sequence; /* end 0: still open */
    enum hf_purpose purpose;
    enum hf_verdict verdict; /* NONE: still open */
    enum hf_cause cause;
    int group;           /* or HF_GROUP_ALL */
    int indicted;        /* of a failure: group or HF_GROUP_NONE */
    int company;         /* 1: of verify and reproduce: it only kept others company, and was not on trial */
    int step;            /* single trials; -1 for joint ones */
    int cpu;             /* of a failure, or -1 */
    int hardware_errors; /* events on its cores while it was open */
    int mismatches;
    size_t joint_first; /* in joint_steps[], group_count of them; or NOTHING */
    size_t load_first;  /* in loads[] */
    int load_count;
    size_t mismatch; /* the first one, in mismatches[]; or NOTHING */
    size_t detail;   /* offset in words of a sentence; or NOTHING */
    double begin_s, loaded_s, end_s, limit_s, exposure_s;
    double celsius_highest, celsius_mean, mhz_asked, mhz_measured;
    struct hf_evidence_meters meters;
    uint64_t blocks;
    int64_t end_wall_ns;
};

struct hf_evidence_reset {
    uint64_t sequence;
    double time_s;
    int group; /* named by the next boot's record, or HF_GROUP_NONE */
};

struct hf_evidence_hardware_error {
    uint64_t sequence;
    uint64_t trial;
    double time_s;
    int group, cpu, corrected;
};

/* What a boot said about the end of the one before: one of its error records. */
struct hf_evidence_boot_report {
    uint64_t sequence;
    double time_s;
    int group, cpu; /* HF_GROUP_NONE, -1: it names nobody */
    char source[HF_NAME_MAX], severity[HF_NAME_MAX];
    size_t text; /* offset in words */
};

struct hf_evidence_setting {
    uint64_t sequence;
    int group, asked, read_back; /* steps */
};

/* The conditions of a session, as the harness read them: key and how it is written in JSON. */
#define HF_CONDITION_LIST(X)                                                                                 \
    X(CPU_VENDOR, "cpu_vendor", STRING)                                                                      \
    X(CPU_MODEL, "cpu_model", STRING)                                                                        \
    X(FAMILY, "family", INTEGER)                                                                             \
    X(MODEL, "model", INTEGER)                                                                               \
    X(STEPPING, "stepping", INTEGER)                                                                         \
    X(MICROCODE, "microcode", STRING)                                                                        \
    X(KERNEL, "kernel", STRING)                                                                              \
    X(SMT, "smt", STRING)                                                                                    \
    X(GOVERNOR, "governor", STRING)                                                                          \
    X(MEMORY_BYTES, "memory_bytes", STRING)                                                                  \
    X(FIRMWARE_VENDOR, "firmware_vendor", STRING)                                                            \
    X(FIRMWARE_VERSION, "firmware_version", STRING)                                                          \
    X(FIRMWARE_DATE, "firmware_date", STRING)                                                                \
    X(VIRTUAL_MACHINE, "virtual_machine", BOOL)                                                              \
    X(BUILD, "build", STRING)

enum hf_condition {
#define HF_CONDITION_ENUM(name, key, kind) HF_CONDITION_##name,
    HF_CONDITION_LIST(HF_CONDITION_ENUM)
#undef HF_CONDITION_ENUM
    HF_CONDITION_COUNT
};

#define HF_CONDITION_TEXT_MAX 96

const char *hf_condition_key(enum hf_condition condition);

struct hf_evidence_session {
    uint64_t sequence;
    int64_t wall_ns;
    double begin_s, end_s; /* end NAN: it did not end in good order */
    char driver[HF_NAME_MAX];
    double clock_factor;
    int workers;
    uint64_t proofs, planted, reported; /* wrong bits planted in it, and how many of them were reported */
    char cpus[HF_CONDITION_TEXT_MAX];
    char end_reason[HF_NAME_MAX * 3];
    char condition[HF_CONDITION_COUNT][HF_CONDITION_TEXT_MAX]; /* "" where unknown */
};

struct hf_evidence_finished {
    uint64_t sequence; /* 0: the run is not finished */
    int64_t wall_ns;
    double time_s;
    uint32_t crc;
};

/* All of a run. Arrays grow up to maxima; a run that passes one is refused with HF_E_RANGE. */
struct hf_evidence {
    char *directory;
    struct hf_profile *profile; /* the frozen one, and groups that the run left out are left out in it */
    int left_out_by_run[HF_GROUPS_MAX];
    struct hf_plan *plan; /* the journal replayed; NULL: plan_problem says why */
    char plan_problem[256];

    uint64_t records;         /* taken into account */
    uint64_t journal_records; /* in the journal: more when it was read up to a record only */
    uint32_t last_crc;        /* of record number `records` */
    int torn;                 /* the journal ends in a torn tail that was ignored */
    char salt[24];            /* run-begin's: the run's identity, with the profile digest */
    uint64_t seed;
    char method[HF_NAME_MAX], tool[HF_NAME_MAX];
    int64_t first_wall_ns;
    double clock_factor; /* run seconds in a second of the wall's */
    double last_s;       /* run time of the last record */

    struct hf_evidence_trial *trials;
    size_t trial_count, trial_capacity;
    int16_t *joint_steps;
    size_t joint_step_count, joint_step_capacity;
    struct hf_evidence_load *loads;
    size_t load_count, load_capacity;
    struct hf_evidence_mismatch *mismatches;
    size_t mismatch_count, mismatch_capacity;
    struct hf_evidence_reset *resets;
    size_t reset_count, reset_capacity;
    struct hf_evidence_hardware_error *hardware_errors;
    size_t hardware_error_count, hardware_error_capacity;
    struct hf_evidence_boot_report *boot_reports;
    size_t boot_report_count, boot_report_capacity;
    struct hf_evidence_setting *settings;
    size_t setting_count, setting_capacity;
    struct hf_evidence_session *sessions;
    size_t session_count, session_capacity;
    int has_places; /* of the last session that told them: where each group lies in the machine */
    int16_t package[HF_GROUPS_MAX];     /* -1: not told */
    int16_t cache_level[HF_GROUPS_MAX]; /* 0: not told */
    uint64_t cache_bytes[HF_GROUPS_MAX];
    size_t *failures; /* trials[] with a fail verdict, in order */
    size_t failure_count, failure_capacity;
    struct hf_text words; /* sentences, NUL-separated */

    uint64_t company_trial; /* the last trial that was begun as company; 0: none */

    int parked;                           /* 1: the run waits for a person, */
    char parked_reason[256];              /* and why */
    struct hf_evidence_finished finished; /* the last one */
};

/* Reads a run. HF_E_NOT_FOUND: no run in the directory; HF_E_DAMAGED names the line. */
int hf_evidence_open(const char *directory, struct hf_evidence **ret_evidence, struct hf_error *error);

/* The same as it was after record number `records`; the rest of the journal is verified, but not used.
 * 0: all of it. HF_E_RANGE: the journal is shorter. */
int hf_evidence_open_at(const char *directory, uint64_t records, struct hf_evidence **ret_evidence,
                        struct hf_error *error);
void hf_evidence_free(struct hf_evidence *evidence); /* NULL is allowed */

/* --- questions to it (pure) -------------------------------------------------------------------------- */

/* 1 when the group took part in the trial, and at which step (-1 when not). */
int hf_evidence_covers(const struct hf_evidence *evidence, const struct hf_evidence_trial *trial, int group);
int hf_evidence_step(const struct hf_evidence *evidence, const struct hf_evidence_trial *trial, int group);

/* What a trial says against a group: 0 nothing; 1 its core failed; 2 it was there when nobody was named. When
 * the machine reset in a test of other groups (verify, reproduce) that it only kept company, nothing. */
int hf_evidence_speaks_against(const struct hf_evidence *evidence, const struct hf_evidence_trial *trial,
                               int group);

/* 1 when the trial's exposure was spent at the clock that was asked for. */
int hf_evidence_exposure_counts(const struct hf_evidence_trial *trial);

struct hf_evidence_group {
    int step; /* chosen: the soak's when there was one, else the plan's, else the baseline */
    int passes, fails, voids, unnamed; /* fails: named failures; unnamed: resets that nobody was named for */
    double exposure_s;                 /* that counts */
    double celsius_highest, celsius_mean; /* mean weighted by exposure */
    double clock_worst;                   /* lowest share measured/asked of a passed trial; NAN */
    struct hf_evidence_meters meters;     /* mean power weighted by exposure */
    int corrected, uncorrected;           /* hardware errors on its cores */
    const char *state;                    /* "proved", "soaking", "searching", "left out", ... */
    int has_view;
    struct hf_plan_view view;
};

void hf_evidence_group(const struct hf_evidence *evidence, int group, struct hf_evidence_group *ret_group);

struct hf_evidence_kernel {
    char kernel[HF_NAME_MAX];
    int width_bits;
    double exposure_s;
    uint64_t blocks;
    int failures; /* wrong results that it found */
};

#define HF_EVIDENCE_KERNELS_MAX 256

/* Totals per kernel and width, most exposure first; group HF_GROUP_ALL: all trials. Returns how many. */
int hf_evidence_kernels(const struct hf_evidence *evidence, int group,
                        struct hf_evidence_kernel ret_kernels[HF_EVIDENCE_KERNELS_MAX]);

/* The joint soak that ended the run (or the running one). */
struct hf_evidence_soak {
    struct hf_plan_soak plan; /* the plan's account */
    int trials;               /* soak trials that make up the attempt */
    size_t last_trial;        /* in trials[], or NOTHING */
    double observed_s;        /* clean exposure at those steps, added up from the trials themselves */
    uint64_t blocks;
    int hardware_errors;
    double celsius_highest, celsius_mean, mhz_asked, mhz_measured;
    struct hf_evidence_meters meters;
};

void hf_evidence_soak(const struct hf_evidence *evidence, struct hf_evidence_soak *ret_soak);

/* A string of any bytes (a path) as a JSON member: what is not UTF-8 is written \xNN. */
void hf_evidence_write_path(struct hf_json_writer *writer, const char *key, const char *path);

/* For a terminal: control characters (C0, C1, DEL) and characters that change direction are written \xNN. */
void hf_words_terminal(struct hf_text *text, const char *string);

/* --- certificates ------------------------------------------------------------------------------------ */

#define HF_CERTIFICATE_FORMAT    1
#define HF_CERTIFICATE_BYTES_MAX (1024 * 1024)

/* What a group still lacks for its certificate. */
struct hf_certificate_gap {
    int group;
    char missing[400];              /* one sentence */
    double hours_median, hours_p90; /* that would take; NAN: nothing but a person can mend it */
};

/* 1: the group can be certified; 0: ret_gap says what is missing. */
int hf_certificate_possible(const struct hf_evidence *evidence, int group,
                            struct hf_certificate_gap *ret_gap);

/* Sentences for a person: each group that is not proved, what is missing, and how many hours that would take.
 */
void hf_certificate_gaps(const struct hf_evidence *evidence, struct hf_text *text);

/* The document of one group, or of the machine (HF_GROUP_ALL), as it is written to disk. The evidence must
 * end with its `finished` record (hf_evidence_open_at(directory, evidence->finished.sequence)): HF_E_UNPROVED
 * otherwise. */
int hf_certificate_document(const struct hf_evidence *evidence, int group, struct hf_text *ret_text,
                            struct hf_error *error);

/* The same as a page that prints on one sheet, made from that document and nothing else. `file`: the
 * document's name. */
int hf_certificate_html(const struct hf_text *document_text, const char *file, struct hf_text *ret_page,
                        struct hf_error *error);

/* Writes certificate-<group>.json and .html for the group (HF_GROUP_ALL: for every group in the soak, and
 * certificate-machine) into the run directory. *ret_names (may be NULL) gets the file names, one a line.
 * HF_E_UNPROVED, with the reason, when something is missing. */
int hf_certificates_write(const char *directory, int group, struct hf_text *ret_names,
                          struct hf_error *error);

/* "certificate-<group>.json": anything but letters, digits, '.', '_' and '-' in the name becomes %XX. */
void hf_certificate_file_name(const struct hf_evidence *evidence, int group, char ret_name[128]);

struct hf_certificate_verdict {
    int agrees;                  /* 1: every byte is what the journal gives */
    char path[HF_JSON_PATH_MAX]; /* first place that differs: "demonstrated.hours", "journal.records" */
    char words[512];             /* what stands there, what the journal gives */
    int later_failures; /* failures at or below the certified ratios recorded since: a reason to distrust */
};

/* Recomputes the certificate (the document, or its page under the name that it was given) from the journal
 * and compares. An error is returned only when the question cannot be asked (no such file, not a certificate,
 * no run); whatever speaks against the certificate is a verdict. */
int hf_certificate_check(const char *file, const char *directory, struct hf_certificate_verdict *ret_verdict,
                         struct hf_error *error);

/* --- report ------------------------------------------------------------------------------------------ */

#define HF_REPORT_BYTES_MAX (1500 * 1000)

/* true_limit: with the rig model, the highest step of each group that truly holds; NULL: unknown. */
void hf_report_text(const struct hf_evidence *evidence, const int *true_limit, struct hf_text *text);
void hf_report_json(const struct hf_evidence *evidence, const int *true_limit, struct hf_text *text);
int hf_report_html(const struct hf_evidence *evidence, const int *true_limit, struct hf_text *ret_text,
                   struct hf_error *error);

/* Writes the plots into the directory (made when it is not there), a file each: map.svg, night.svg,
 * ladder-<group>.svg, faults-<group>.svg, ... */
int hf_report_svg(const struct hf_evidence *evidence, const int *true_limit, const char *directory,
                  struct hf_error *error);

/* A few lines for the end of a command: state, what was demonstrated, the groups and their ratios. */
void hf_report_summary(const struct hf_evidence *evidence, struct hf_text *text);

/* Writes report.html into the run directory. */
int hf_report_write(const char *directory, const int *true_limit, struct hf_error *error);

/* --- comparison of runs -------------------------------------------------------------------------------
 * Other dates, other voltages, other machines, side by side: hf_compare_open(), the forms, hf_compare_free().
 * Runs of one machine (the profile's name) are put in the order of their dates; what moved is told against
 * the proved run before. */

struct hf_compare;

/* Reads the runs one after the other; each is reduced to a summary. An error names the run. */
int hf_compare_open(const char *const *directories, int count, struct hf_compare **ret_compare,
                    struct hf_error *error);
void hf_compare_free(struct hf_compare *compare); /* NULL is allowed */
void hf_compare_text(const struct hf_compare *compare, struct hf_text *text);
void hf_compare_json(const struct hf_compare *compare, struct hf_text *text);
int hf_compare_html(const struct hf_compare *compare, struct hf_text *ret_text, struct hf_error *error);

#endif
