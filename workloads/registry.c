/*
 * The registry: which kernels there are, and which entry of each runs here.
 *
 * Adding a kernel: one file in kernels/reference that exports hf_reference_<name>, optionally one in a folder
 * of an instruction set that exports hf_<set>_<name>, and one line in KERNEL_LIST.
 *
 * Invariants:
 *   1. The order of entries is that of KERNEL_LIST, on every CPU: indices can be journalled.
 *   2. chosen[i] is the fastest entry of line i that CPU and system allow, its reference entry when none is
 *      or when the reference is forced; all entries of a line agree in name, width and digests.
 *   3. Lines of one name follow each other, widths increasing.
 */
#include <assert.h>
#include <stdlib.h>
#include <string.h>

#include "holdfast/kernel.h"
#include "workloads/features.h"

#if defined(__x86_64__)
#define ONLY_X86(entry) entry
#else
#define ONLY_X86(entry) NULL
#endif

/* Lines: PLAIN(name) has plain C only; AVX2(name), AVX512(name) and BOTH(name) have faster entries too. */
#define KERNEL_LIST(PLAIN, AVX2, AVX512, BOTH)                                                               \
    AVX2(fma_residue_128)                                                                                    \
    AVX2(fma_residue_256)                                                                                    \
    AVX512(fma_residue_512)                                                                                  \
    AVX2(wide_multiply)                                                                                      \
    PLAIN(branch)

#define DECLARE_PLAIN(kernel)  extern const struct hf_kernel hf_reference_##kernel;
#define DECLARE_AVX2(kernel)   extern const struct hf_kernel hf_reference_##kernel, hf_avx2_##kernel;
#define DECLARE_AVX512(kernel) extern const struct hf_kernel hf_reference_##kernel, hf_avx512_##kernel;
#define DECLARE_BOTH(kernel)                                                                                 \
    extern const struct hf_kernel hf_reference_##kernel, hf_avx2_##kernel, hf_avx512_##kernel;
KERNEL_LIST(DECLARE_PLAIN, DECLARE_AVX2, DECLARE_AVX512, DECLARE_BOTH)

struct line {
    const struct hf_kernel *reference;
    const struct hf_kernel *avx2;
    const struct hf_kernel *avx512;
};

#define LINE_PLAIN(kernel)  {&hf_reference_##kernel, NULL, NULL},
#define LINE_AVX2(kernel)   {&hf_reference_##kernel, ONLY_X86(&hf_avx2_##kernel), NULL},
#define LINE_AVX512(kernel) {&hf_reference_##kernel, NULL, ONLY_X86(&hf_avx512_##kernel)},
#define LINE_BOTH(kernel)                                                                                    \
    {&hf_reference_##kernel, ONLY_X86(&hf_avx2_##kernel), ONLY_X86(&hf_avx512_##kernel)},

static const struct line lines[] = {KERNEL_LIST(LINE_PLAIN, LINE_AVX2, LINE_AVX512, LINE_BOTH)};

#define LINE_COUNT ((int)(sizeof lines / sizeof lines[0]))

static struct {
    int ready;
    int forced; /* the reference entries, whatever the CPU can do */
    const struct hf_kernel *fastest[LINE_COUNT];
} registry;

/* The table starts as the reference table; faster entries replace it. */
static void registry_fill(void)
{
    struct hf_features features;
    const char *wish;

    if (registry.ready)
        return;
    features = hf_features_here(); /* slow on a virtual machine, which has to be asked */
    wish = getenv("HOLDFAST_KERNELS");
    for (int i = 0; i < LINE_COUNT; i++) {
        registry.fastest[i] = lines[i].reference;
        if (features.avx2_fma && lines[i].avx2 != NULL)
            registry.fastest[i] = lines[i].avx2;
        if (features.avx512 && lines[i].avx512 != NULL)
            registry.fastest[i] = lines[i].avx512;
        assert(registry.fastest[i]->width_bits == lines[i].reference->width_bits);
        assert(strcmp(registry.fastest[i]->name, lines[i].reference->name) == 0);
    }
    registry.forced = wish != NULL && strcmp(wish, "reference") == 0;
    registry.ready = 1;
}

int hf_kernel_count(void)
{
    return LINE_COUNT;
}

const struct hf_kernel *hf_kernel_at(int index)
{
    assert(index >= 0 && index < LINE_COUNT);
    registry_fill();
    return registry.forced ? lines[index].reference : registry.fastest[index];
}

int hf_kernel_is_native(int index)
{
    assert(index >= 0 && index < LINE_COUNT);
    registry_fill();
    return registry.fastest[index] != lines[index].reference ||
           (lines[index].avx2 == NULL && lines[index].avx512 == NULL);
}

int hf_kernel_index(const char *name, int width_bits)
{
    int found = -1;

    for (int i = 0; i < LINE_COUNT; i++) {
        if (strcmp(lines[i].reference->name, name) != 0)
            continue;
        if (width_bits == lines[i].reference->width_bits)
            return i;
        if (width_bits == 0 && (found < 0 || hf_kernel_is_native(i)))
            found = i;
    }
    return found;
}

const struct hf_kernel *hf_kernel_find(const char *name, int width_bits)
{
    int index = hf_kernel_index(name, width_bits);

    return index < 0 ? NULL : hf_kernel_at(index);
}

const struct hf_kernel *hf_kernel_reference(const char *name, int width_bits)
{
    int index = hf_kernel_index(name, width_bits);

    return index < 0 ? NULL : lines[index].reference;
}

size_t hf_kernel_state_bytes_max(void)
{
    size_t max = 0;

    registry_fill();
    for (int i = 0; i < LINE_COUNT; i++) {
        if (lines[i].reference->state_bytes > max)
            max = lines[i].reference->state_bytes;
        if (registry.fastest[i]->state_bytes > max)
            max = registry.fastest[i]->state_bytes;
    }
    assert(max % 64 == 0);
    return max;
}

void hf_kernel_force_reference(int on)
{
    registry_fill();
    registry.forced = on;
}

/* The linker's names for the ends of the section that holds every advance(). */
extern const char __start_hf_kernels[];
extern const char __stop_hf_kernels[];

int hf_kernel_owns_address(const void *program_counter)
{
    uintptr_t address = (uintptr_t)program_counter;

    return address >= (uintptr_t)__start_hf_kernels && address < (uintptr_t)__stop_hf_kernels;
}
