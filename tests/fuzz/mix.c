/* A mix file: parsed; what was accepted is written and read back the same, and gives slices within its
 * limits. */
#include <math.h>

#include "fuzz.h"
#include "holdfast/mix.h"

#define SLICES 24

static void check_slices(const struct hf_mix *mix)
{
    for (uint64_t number = 0; number < SLICES; number++) {
        struct hf_slice slice, again, mine;

        memset(&slice, 0, sizeof slice);
        memset(&again, 0, sizeof again);
        hf_mix_slice(mix, 20261125, number, &slice);
        hf_mix_slice(mix, 20261125, number, &again);
        MUST(memcmp(&slice, &again, sizeof slice) == 0);
        MUST(slice.entry >= 0 && slice.entry < mix->entry_count && slice.kernel >= 0);
        MUST(isfinite(slice.length_s) && slice.length_s > 0 && isfinite(slice.period_s));
        for (int group = 0; group < 4; group++) {
            hf_slice_for_group(&slice, group, 4, &mine);
            MUST(mine.kernel >= 0 && mine.number == number);
        }
    }
}

static void check_accepted(const struct hf_mix *mix)
{
    struct hf_error error = {0};
    struct hf_mix again;
    struct hf_text text;
    struct hf_text twice;

    MUST(mix->entry_count >= 1 && mix->entry_count <= HF_MIX_ENTRIES_MAX);
    hf_text_init(&text, HF_MIX_BYTES_MAX);
    hf_mix_write(mix, &text);
    MUST(!text.overflowed);
    MUST(hf_mix_parse(text.bytes, text.size, "written", &again, &error) == HF_OK);
    hf_text_init(&twice, HF_MIX_BYTES_MAX);
    hf_mix_write(&again, &twice);
    MUST(twice.size == text.size && memcmp(twice.bytes, text.bytes, text.size) == 0);
    hf_text_release(&twice);
    hf_text_release(&text);
    check_slices(mix);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    struct hf_error error = {0};
    struct hf_mix mix;
    char *copy = exact_copy(bytes, size, 0);
    int code = hf_mix_parse(copy, size, "fuzzed.json", &mix, &error);

    free(copy);
    if (code == HF_OK)
        check_accepted(&mix);
    else
        must_explain(code, &error, "fuzzed.json");
    return 0;
}
