/* What the bits of a machine check's status say, and the words for sources, severities and kinds. */
#include <assert.h>

#include "holdfast/hardware_errors.h"

#define STATUS_UNCORRECTED (UINT64_C(1) << 61)
#define STATUS_PCC         (UINT64_C(1) << 57) /* processor context corrupt */
#define STATUS_DEFERRED    (UINT64_C(1) << 44) /* AMD */
#define COUNT_SHIFT        38
#define COUNT_MASK         UINT64_C(0x7fff)
#define FILTER_BIT         0x1000u

static int is_amd_like(int vendor)
{
    return vendor == 2 || vendor == 9; /* Hygon's machine checks are AMD's */
}

enum hf_error_severity hf_status_severity(uint64_t status, int vendor)
{
    if (status & STATUS_PCC)
        return HF_SEVERITY_FATAL;
    if (status & STATUS_UNCORRECTED)
        return HF_SEVERITY_UNCORRECTED;
    if (is_amd_like(vendor) && (status & STATUS_DEFERRED))
        return HF_SEVERITY_DEFERRED;
    return HF_SEVERITY_CORRECTED;
}

/* Simple and compound error codes; the first that fits, from the most significant bit down. */
enum hf_error_kind hf_status_kind(uint64_t status)
{
    static const struct {
        unsigned mask, value;
        enum hf_error_kind kind;
    } codes[] = {
        {0xffff, 0x0002, HF_KIND_PARITY},       {0xffff, 0x0005, HF_KIND_PARITY},
        {0xffff, 0x0400, HF_KIND_TIMER},        {0xfc00, 0x0400, HF_KIND_INTERNAL},
        {0xf800, 0x0800, HF_KIND_INTERCONNECT}, {0xff00, 0x0100, HF_KIND_CACHE},
        {0xff80, 0x0080, HF_KIND_MEMORY},       {0xfff0, 0x0010, HF_KIND_TRANSLATION},
        {0xfffc, 0x000c, HF_KIND_CACHE},
    };
    unsigned code = (unsigned)(status & 0xffff) & ~FILTER_BIT;

    for (unsigned i = 0; i < sizeof codes / sizeof codes[0]; i++) {
        if ((code & codes[i].mask) == codes[i].value)
            return codes[i].kind;
    }
    return HF_KIND_UNKNOWN;
}

/* Bits 52:38 count corrected errors on Intel's; on AMD's they mean other things. */
uint64_t hf_status_count(uint64_t status, int vendor)
{
    uint64_t count = is_amd_like(vendor) ? 1 : (status >> COUNT_SHIFT) & COUNT_MASK;

    if (status & (STATUS_UNCORRECTED | STATUS_PCC))
        return 1;
    return count > 0 ? count : 1;
}

int hf_hardware_error_is_evidence(const struct hf_hardware_error *event)
{
    return event->severity > HF_SEVERITY_NOTICE && event->source != HF_FROM_READER && !event->previous_boot &&
           !event->earlier && !event->repeats;
}

#define NAME_OF(code, name) [code] = name,

const char *hf_error_source_name(enum hf_error_source source)
{
    static const char *const names[] = {HF_ERROR_SOURCE_LIST(NAME_OF)};

    assert((unsigned)source < HF_ERROR_SOURCE_COUNT);
    return names[source];
}

const char *hf_error_severity_name(enum hf_error_severity severity)
{
    static const char *const names[] = {HF_ERROR_SEVERITY_LIST(NAME_OF)};

    assert((unsigned)severity < HF_ERROR_SEVERITY_COUNT);
    return names[severity];
}

const char *hf_error_kind_name(enum hf_error_kind kind)
{
    static const char *const names[] = {HF_ERROR_KIND_LIST(NAME_OF)};

    assert((unsigned)kind < HF_ERROR_KIND_COUNT);
    return names[kind];
}
