#include "cli/conditions.h"

#include "base/build.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define UNCHANGED_SHARE                                                                                      \
    0.5 /* engineering judgement: seasons, dust, ageing; costs at most half the exposure */

const struct hf_evidence_session *hf_conditions_session(const struct hf_evidence *evidence)
{
    const struct hf_evidence_session *found = NULL;

    for (size_t i = 0; i < evidence->session_count; i++) {
        if (evidence->sessions[i].sequence < evidence->finished.sequence)
            found = &evidence->sessions[i];
    }
    return found;
}

static void put_text(char ret_text[HF_CONDITION_TEXT_MAX], const char *text)
{
    (void)snprintf(ret_text, HF_CONDITION_TEXT_MAX, "%s", text);
}

static void put_number(char ret_text[HF_CONDITION_TEXT_MAX], int number)
{
    ret_text[0] = '\0';
    if (number >= 0)
        (void)snprintf(ret_text, HF_CONDITION_TEXT_MAX, "%d", number);
}

void hf_conditions_of_facts(const struct hf_machine_facts *facts,
                            char ret_now[HF_CONDITION_COUNT][HF_CONDITION_TEXT_MAX])
{
    memset(ret_now, 0, sizeof(char[HF_CONDITION_COUNT][HF_CONDITION_TEXT_MAX]));
    put_text(ret_now[HF_CONDITION_CPU_VENDOR], facts->cpu_vendor);
    put_text(ret_now[HF_CONDITION_CPU_MODEL], facts->cpu_model);
    put_number(ret_now[HF_CONDITION_FAMILY], facts->cpu_family);
    put_number(ret_now[HF_CONDITION_MODEL], facts->cpu_model_number);
    put_number(ret_now[HF_CONDITION_STEPPING], facts->cpu_stepping);
    put_text(ret_now[HF_CONDITION_MICROCODE], facts->microcode);
    put_text(ret_now[HF_CONDITION_KERNEL], facts->kernel);
    put_text(ret_now[HF_CONDITION_SMT], facts->smt);
    put_text(ret_now[HF_CONDITION_GOVERNOR], facts->governor);
    if (facts->memory_bytes > 0)
        (void)snprintf(ret_now[HF_CONDITION_MEMORY_BYTES], HF_CONDITION_TEXT_MAX, "%" PRIu64,
                       facts->memory_bytes);
    put_text(ret_now[HF_CONDITION_FIRMWARE_VENDOR], facts->firmware_vendor);
    put_text(ret_now[HF_CONDITION_FIRMWARE_VERSION], facts->firmware_version);
    put_text(ret_now[HF_CONDITION_FIRMWARE_DATE], facts->firmware_date);
    put_text(ret_now[HF_CONDITION_BUILD], hf_build_words());
}

static int voids_evidence(enum hf_condition condition)
{
    return condition != HF_CONDITION_KERNEL && condition != HF_CONDITION_GOVERNOR &&
           condition != HF_CONDITION_BUILD;
}

static void compare_entered(const char *name, double before, double now, struct hf_condition_change *changes,
                            int *count)
{
    struct hf_condition_change *change = &changes[*count];

    if (isnan(now) || (!isnan(before) && fabs(now - before) < 1e-9))
        return; /* not entered: as the profile says */
    *change = (struct hf_condition_change){.name = name, .voids = 1};
    if (isnan(before))
        put_text(change->before, "not entered");
    else
        (void)snprintf(change->before, sizeof change->before, "%g", before);
    (void)snprintf(change->now, sizeof change->now, "%g", now);
    (*count)++;
}

int hf_conditions_compare(const struct hf_evidence_session *session, const struct hf_profile *profile,
                          char now[HF_CONDITION_COUNT][HF_CONDITION_TEXT_MAX],
                          const struct hf_conditions_entered *entered,
                          struct hf_condition_change ret_changes[HF_CONDITION_CHANGES_MAX])
{
    int count = 0;

    for (int i = 0; i < HF_CONDITION_COUNT; i++) {
        const char *before = session->condition[i];

        /* the kernel reserves a little memory differently from boot to boot; whether this is a virtual
         * machine goes with the processor */
        if (i == HF_CONDITION_MEMORY_BYTES || i == HF_CONDITION_VIRTUAL_MACHINE)
            continue;
        if (before[0] == '\0' || now[i][0] == '\0' || strcmp(before, now[i]) == 0)
            continue;
        ret_changes[count] = (struct hf_condition_change){.name = hf_condition_key((enum hf_condition)i),
                                                          .voids = voids_evidence((enum hf_condition)i)};
        put_text(ret_changes[count].before, before);
        put_text(ret_changes[count].now, now[i]);
        count++;
    }
    compare_entered("voltage_mv", profile->voltage_mv, entered->voltage_mv, ret_changes, &count);
    compare_entered("memory_mts", profile->memory_mts, entered->memory_mts, ret_changes, &count);
    return count;
}

double hf_conditions_credit(const struct hf_condition_change *changes, int count)
{
    double share = UNCHANGED_SHARE;

    for (int i = 0; i < count; i++)
        share *= changes[i].voids ? 0.0 : 0.5;
    return share;
}
