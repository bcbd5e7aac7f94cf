/* Questions to the evidence: pure functions of what was read. */
#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "output/output_private.h"

int hf_evidence_step(const struct hf_evidence *evidence, const struct hf_evidence_trial *trial, int group)
{
    assert(group >= 0 && group < evidence->profile->group_count);
    if (trial->joint_first != HF_EVIDENCE_NOTHING)
        return evidence->joint_steps[trial->joint_first + (size_t)group];
    return trial->group == group ? trial->step : -1;
}

int hf_evidence_covers(const struct hf_evidence *evidence, const struct hf_evidence_trial *trial, int group)
{
    return group >= 0 && group < evidence->profile->group_count &&
           hf_evidence_step(evidence, trial, group) >= 0;
}

int hf_evidence_speaks_against(const struct hf_evidence *evidence, const struct hf_evidence_trial *trial,
                               int group)
{
    if (trial->verdict != HF_VERDICT_FAIL || !hf_evidence_covers(evidence, trial, group))
        return 0;
    if (trial->indicted == group)
        return 1;
    return trial->indicted == HF_GROUP_NONE && !trial->company ? 2 : 0;
}

int hf_evidence_exposure_counts(const struct hf_evidence_trial *trial)
{
    return trial->cause != HF_CAUSE_CLOCK_SHORTFALL && trial->cause != HF_CAUSE_SETTING_LOST &&
           trial->cause != HF_CAUSE_OVER_TEMPERATURE && trial->cause != HF_CAUSE_TOO_FEW_BLOCKS;
}

/* --- one group ---------------------------------------------------------------------------------------- */

static const struct hf_evidence_trial *open_trial_of(const struct hf_evidence *evidence, int group)
{
    for (size_t i = evidence->trial_count; i-- > 0;) {
        const struct hf_evidence_trial *trial = &evidence->trials[i];

        if (hf_evidence_covers(evidence, trial, group))
            return trial->verdict == HF_VERDICT_NONE ? trial : NULL;
    }
    return NULL;
}

static int soak_was_begun(const struct hf_evidence *evidence)
{
    for (size_t i = evidence->trial_count; i-- > 0;) {
        if (evidence->trials[i].purpose == HF_PURPOSE_SOAK)
            return 1;
    }
    return 0;
}

static const char *state_of(const struct hf_evidence *evidence, int group)
{
    const struct hf_evidence_trial *open = open_trial_of(evidence, group);

    if (evidence->profile->group[group].left_out)
        return "left out";
    if (evidence->finished.sequence != 0)
        return "proved";
    if (evidence->parked)
        return "waits for a person";
    if (open != NULL && open->purpose == HF_PURPOSE_SOAK)
        return "soaking";
    if (open != NULL && open->purpose == HF_PURPOSE_BASELINE)
        return "baseline proof";
    if (open != NULL && open->purpose == HF_PURPOSE_HOLD)
        return "chosen, keeps loaded";
    if (soak_was_begun(evidence))
        return "between soaks";
    if (evidence->trial_count == 0)
        return "not begun";
    return "searching";
}

static int chosen_step(const struct hf_evidence *evidence, int group, const struct hf_evidence_group *own)
{
    if (own->has_view)
        return own->view.chosen_step;
    for (size_t i = evidence->trial_count; i-- > 0;) {
        const struct hf_evidence_trial *trial = &evidence->trials[i];

        if (trial->purpose == HF_PURPOSE_SOAK && trial->verdict == HF_VERDICT_PASS &&
            hf_evidence_covers(evidence, trial, group))
            return hf_evidence_step(evidence, trial, group);
    }
    return evidence->profile->group[group].baseline_step;
}

static void add_trial_to_group(const struct hf_evidence *evidence, const struct hf_evidence_trial *trial,
                               int group, struct hf_evidence_group *own, double *mean_weight,
                               double *metered_s)
{
    int against = hf_evidence_speaks_against(evidence, trial, group);
    double share = trial->mhz_measured / trial->mhz_asked;

    own->passes += trial->verdict == HF_VERDICT_PASS;
    own->voids += trial->verdict == HF_VERDICT_VOID;
    own->fails += against == 1;
    own->unnamed += against == 2;
    if (hf_evidence_exposure_counts(trial))
        own->exposure_s += trial->exposure_s;
    if (!isnan(trial->celsius_highest))
        own->celsius_highest =
            fmax(own->celsius_highest, trial->celsius_highest); /* fmax passes over a NAN */
    if (!isnan(trial->celsius_mean) && trial->exposure_s > 0) {
        double before = *mean_weight > 0 ? own->celsius_mean * *mean_weight : 0;

        *mean_weight += trial->exposure_s;
        own->celsius_mean = (before + trial->celsius_mean * trial->exposure_s) / *mean_weight;
    }
    hf_evidence_meters_add(&own->meters, *metered_s, &trial->meters, trial->exposure_s);
    if (!isnan(trial->meters.watts_mean))
        *metered_s += trial->exposure_s;
    if (trial->verdict == HF_VERDICT_PASS && isfinite(share))
        own->clock_worst = fmin(own->clock_worst, share);
}

void hf_evidence_group(const struct hf_evidence *evidence, int group, struct hf_evidence_group *ret_group)
{
    struct hf_evidence_group own = {.celsius_highest = NAN, .celsius_mean = NAN, .clock_worst = NAN};
    double mean_weight = 0;
    double metered_s = 0;

    hf_evidence_meters_init(&own.meters);
    for (size_t i = 0; i < evidence->trial_count; i++) {
        if (hf_evidence_covers(evidence, &evidence->trials[i], group))
            add_trial_to_group(evidence, &evidence->trials[i], group, &own, &mean_weight, &metered_s);
    }
    for (size_t i = 0; i < evidence->hardware_error_count; i++) {
        const struct hf_evidence_hardware_error *entry = &evidence->hardware_errors[i];

        own.corrected += entry->group == group && entry->corrected;
        own.uncorrected += entry->group == group && !entry->corrected;
    }
    if (evidence->plan != NULL) {
        own.has_view = 1;
        hf_plan_view(evidence->plan, group, &own.view);
    }
    own.step = chosen_step(evidence, group, &own);
    own.state = state_of(evidence, group);
    *ret_group = own;
}

/* --- kernels ------------------------------------------------------------------------------------------ */

static struct hf_evidence_kernel *kernel_entry(struct hf_evidence_kernel *kernels, int *count,
                                               const char *name, int width_bits, int create)
{
    for (int i = 0; i < *count; i++) {
        if (kernels[i].width_bits == width_bits && strcmp(kernels[i].kernel, name) == 0)
            return &kernels[i];
    }
    if (!create || *count == HF_EVIDENCE_KERNELS_MAX)
        return NULL;
    kernels[*count] = (struct hf_evidence_kernel){.width_bits = width_bits};
    memcpy(kernels[*count].kernel, name, strlen(name) + 1);
    return &kernels[(*count)++];
}

/* A mix may leave the width open (0, "the widest here"), a wrong result always names it. */
static void count_wrong_result(struct hf_evidence_kernel *kernels, int *count,
                               const struct hf_evidence_mismatch *mismatch)
{
    struct hf_evidence_kernel *entry =
        kernel_entry(kernels, count, mismatch->kernel, mismatch->width_bits, 0);

    if (entry == NULL)
        entry = kernel_entry(kernels, count, mismatch->kernel, 0, 0);
    if (entry == NULL)
        entry = kernel_entry(kernels, count, mismatch->kernel, mismatch->width_bits, 1);
    if (entry != NULL)
        entry->failures++;
}

static int by_exposure(const void *left, const void *right)
{
    const struct hf_evidence_kernel *a = left;
    const struct hf_evidence_kernel *b = right;
    int order;

    if (a->exposure_s != b->exposure_s)
        return a->exposure_s < b->exposure_s ? 1 : -1;
    order = strcmp(a->kernel, b->kernel);
    return order != 0 ? order : a->width_bits - b->width_bits;
}

int hf_evidence_kernels(const struct hf_evidence *evidence, int group,
                        struct hf_evidence_kernel ret_kernels[HF_EVIDENCE_KERNELS_MAX])
{
    int count = 0;

    for (size_t i = 0; i < evidence->trial_count; i++) {
        const struct hf_evidence_trial *trial = &evidence->trials[i];

        if (!hf_evidence_exposure_counts(trial) ||
            (group != HF_GROUP_ALL && !hf_evidence_covers(evidence, trial, group)))
            continue;
        for (int k = 0; k < trial->load_count; k++) {
            const struct hf_evidence_load *load = &evidence->loads[trial->load_first + (size_t)k];
            struct hf_evidence_kernel *entry =
                kernel_entry(ret_kernels, &count, load->kernel, load->width_bits, 1);

            if (entry == NULL)
                continue;
            entry->exposure_s += load->exposure_s;
            entry->blocks += load->blocks;
        }
    }
    for (size_t i = 0; i < evidence->failure_count; i++) {
        const struct hf_evidence_trial *trial = &evidence->trials[evidence->failures[i]];

        if (trial->mismatch != HF_EVIDENCE_NOTHING &&
            (group == HF_GROUP_ALL || hf_evidence_speaks_against(evidence, trial, group) == 1))
            count_wrong_result(ret_kernels, &count, &evidence->mismatches[trial->mismatch]);
    }
    qsort(ret_kernels, (size_t)count, sizeof *ret_kernels, by_exposure);
    return count;
}

/* --- the soak ----------------------------------------------------------------------------------------- */

static int has_steps(const struct hf_evidence *evidence, const struct hf_evidence_trial *trial,
                     const int16_t *steps)
{
    for (int group = 0; group < evidence->profile->group_count; group++) {
        if (hf_evidence_step(evidence, trial, group) != steps[group])
            return 0;
    }
    return 1;
}

static void add_trial_to_soak(const struct hf_evidence_trial *trial, struct hf_evidence_soak *soak)
{
    int clean = trial->verdict == HF_VERDICT_PASS || trial->verdict == HF_VERDICT_NONE ||
                trial->cause == HF_CAUSE_INTERRUPTED;

    soak->trials++;
    soak->hardware_errors += trial->hardware_errors;
    if (!clean)
        return;
    soak->blocks += trial->blocks;
    if (!isnan(trial->celsius_highest))
        soak->celsius_highest = fmax(soak->celsius_highest, trial->celsius_highest);
    if (isnan(soak->mhz_measured)) { /* the latest trial says */
        soak->mhz_asked = trial->mhz_asked;
        soak->mhz_measured = trial->mhz_measured;
    }
    if (!isnan(trial->celsius_mean) && trial->exposure_s > 0) {
        double before =
            soak->observed_s > 0 && !isnan(soak->celsius_mean) ? soak->celsius_mean : trial->celsius_mean;

        soak->celsius_mean = (before * soak->observed_s + trial->celsius_mean * trial->exposure_s) /
                             (soak->observed_s + trial->exposure_s);
    }
    hf_evidence_meters_add(&soak->meters, soak->observed_s, &trial->meters, trial->exposure_s);
    soak->observed_s += trial->exposure_s;
}

void hf_evidence_soak(const struct hf_evidence *evidence, struct hf_evidence_soak *ret_soak)
{
    struct hf_evidence_soak soak = {.last_trial = HF_EVIDENCE_NOTHING,
                                    .celsius_highest = NAN,
                                    .celsius_mean = NAN,
                                    .mhz_asked = NAN,
                                    .mhz_measured = NAN};

    hf_evidence_meters_init(&soak.meters);
    if (evidence->plan != NULL)
        hf_plan_soak(evidence->plan, &soak.plan);
    /* Backwards from the last soak trial, as long as nothing failed and no ratio was another. */
    for (size_t i = evidence->trial_count; evidence->plan != NULL && i-- > 0;) {
        const struct hf_evidence_trial *trial = &evidence->trials[i];

        if (trial->purpose != HF_PURPOSE_SOAK)
            continue;
        if (trial->verdict == HF_VERDICT_FAIL || !has_steps(evidence, trial, soak.plan.step))
            break;
        if (trial->hardware_errors > 0 && soak.trials > 0)
            break;
        if (soak.last_trial == HF_EVIDENCE_NOTHING)
            soak.last_trial = i;
        add_trial_to_soak(trial, &soak);
    }
    *ret_soak = soak;
}
