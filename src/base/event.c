#include "holdfast/event.h"

#include <string.h>

static const char *const verdict_names[] = {"none", "pass", "fail", "void"};

static const char *const cause_names[] = {
#define HF_CAUSE_NAME(code, name) name,
    HF_CAUSE_LIST(HF_CAUSE_NAME)
#undef HF_CAUSE_NAME
};

static const char *const purpose_names[] = {
#define HF_PURPOSE_NAME(code, name) name,
    HF_PURPOSE_LIST(HF_PURPOSE_NAME)
#undef HF_PURPOSE_NAME
};

static int index_of(const char *const *names, int count, const char *name)
{
    for (int i = 0; i < count; i++) {
        if (strcmp(names[i], name) == 0)
            return i;
    }
    return -1;
}

const char *hf_verdict_name(enum hf_verdict verdict)
{
    return (unsigned)verdict <= HF_VERDICT_VOID ? verdict_names[verdict] : "unknown";
}

const char *hf_cause_name(enum hf_cause cause)
{
    return (unsigned)cause < HF_CAUSE_COUNT ? cause_names[cause] : "unknown";
}

const char *hf_purpose_name(enum hf_purpose purpose)
{
    return (unsigned)purpose < HF_PURPOSE_COUNT ? purpose_names[purpose] : "unknown";
}

int hf_verdict_of_name(const char *name)
{
    return index_of(verdict_names, HF_VERDICT_VOID + 1, name);
}

int hf_cause_of_name(const char *name)
{
    return index_of(cause_names, HF_CAUSE_COUNT, name);
}

int hf_purpose_of_name(const char *name)
{
    return index_of(purpose_names, HF_PURPOSE_COUNT, name);
}

int hf_cause_fits(enum hf_verdict verdict, enum hf_cause cause)
{
    switch (cause) {
    case HF_CAUSE_WRONG_RESULT:
    case HF_CAUSE_WORKER_DIED:
    case HF_CAUSE_STALL:
    case HF_CAUSE_HARDWARE_ERROR:
        return verdict == HF_VERDICT_FAIL;
    case HF_CAUSE_MACHINE_RESET:
        return verdict == HF_VERDICT_FAIL || verdict == HF_VERDICT_VOID;
    case HF_CAUSE_OVER_TEMPERATURE:
    case HF_CAUSE_CLOCK_SHORTFALL:
    case HF_CAUSE_SETTING_LOST:
    case HF_CAUSE_INTERRUPTED:
    case HF_CAUSE_TOO_FEW_BLOCKS:
        return verdict == HF_VERDICT_VOID;
    case HF_CAUSE_TIME_SERVED:
        return verdict == HF_VERDICT_PASS;
    case HF_CAUSE_NONE:
    case HF_CAUSE_COUNT:
        break;
    }
    return 0;
}

int hf_purpose_is_joint(enum hf_purpose purpose)
{
    return purpose == HF_PURPOSE_BASELINE || purpose == HF_PURPOSE_SOAK;
}

int hf_verdict_leaves_out(enum hf_purpose purpose, const struct hf_event *verdict)
{
    return purpose == HF_PURPOSE_BASELINE && verdict->verdict == HF_VERDICT_VOID &&
           verdict->cause == HF_CAUSE_SETTING_LOST && verdict->group >= 0;
}
