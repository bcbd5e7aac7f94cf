/* Names of operand sets, patterns and sync modes: what mix files, journals and messages call them. */
#include <string.h>

#include "holdfast/kernel.h"
#include "holdfast/mix.h"

static const char *const operands_names[HF_OPERANDS_COUNT] = {"full", "bounded", "sparse", "carry"};
static const char *const pattern_names[HF_PATTERN_COUNT] = {"steady",    "square", "solo-then-all",
                                                            "telegraph", "wake",   "swing"};
static const char *const sync_names[HF_SYNC_COUNT] = {"free", "group", "all", "antiphase", "dither"};

static const char *name_of(const char *const *names, unsigned count, unsigned code)
{
    return code < count ? names[code] : "unknown";
}

static int code_of(const char *const *names, int count, const char *name)
{
    for (int i = 0; i < count; i++) {
        if (strcmp(names[i], name) == 0)
            return i;
    }
    return -1;
}

const char *hf_operands_name(enum hf_operands operands)
{
    return name_of(operands_names, HF_OPERANDS_COUNT, (unsigned)operands);
}

int hf_operands_of_name(const char *name)
{
    return code_of(operands_names, HF_OPERANDS_COUNT, name);
}

const char *hf_pattern_name(enum hf_pattern pattern)
{
    return name_of(pattern_names, HF_PATTERN_COUNT, (unsigned)pattern);
}

int hf_pattern_of_name(const char *name)
{
    return code_of(pattern_names, HF_PATTERN_COUNT, name);
}

const char *hf_sync_name(enum hf_sync sync)
{
    return name_of(sync_names, HF_SYNC_COUNT, (unsigned)sync);
}

int hf_sync_of_name(const char *name)
{
    return code_of(sync_names, HF_SYNC_COUNT, name);
}
