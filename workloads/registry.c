/*
 * The registry: which kernels there are, and which entry of each runs here.
 *
 * Adding a kernel: one file in kernels/reference that exports hf_reference_<name>, optionally ones in folders
 * of instruction sets that export hf_<set>_<name>, their declarations in kernels/entries.h, and one line in
 * the table below, at its end.
 *
 * Invariants:
 *   1. The order of entries is that of the table, on every CPU: indices can be journalled.
 *   2. chosen[i] is the fastest entry of line i that CPU and system allow, its reference entry when none is
 *      or when the reference is forced; all entries of a line agree in name, width and digests.
 *   3. Lines of one name follow each other, widths increasing.
 */
#include <assert.h>
#include <stdlib.h>
#include <string.h>

#include "holdfast/kernel.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"

#if defined(__x86_64__)
#define X86(entry) &entry,
#else
#define X86(entry)
#endif
#if defined(__aarch64__)
#define ARM64(entry) &entry,
#else
#define ARM64(entry)
#endif

#define ENTRIES_MAX HF_KERNEL_ENTRIES_MAX

/* The entries of a kernel and width: the reference first, then the faster ones, the fastest last. */
struct line {
    const struct hf_kernel *entry[ENTRIES_MAX];
};

/* clang-format off */
static const struct line lines[] = {
    {{&hf_reference_fma_residue_128, X86(hf_avx2_fma_residue_128) ARM64(hf_aarch64_fma_residue_128)}},
    {{&hf_reference_fma_residue_256, X86(hf_avx2_fma_residue_256)}},
    {{&hf_reference_fma_residue_512, X86(hf_avx512_fma_residue_512)}},
    {{&hf_reference_wide_multiply, X86(hf_avx2_wide_multiply) ARM64(hf_aarch64_wide_multiply)}},
    {{&hf_reference_branch}},
    {{&hf_reference_pulse_256, X86(hf_avx2_pulse_256)}},
    {{&hf_reference_pulse_512, X86(hf_avx512_pulse_512)}},
    {{&hf_reference_chase_l1}},
    {{&hf_reference_chase_l2}},
    {{&hf_reference_chase_l3}},
    {{&hf_reference_chase_memory}},
    {{&hf_reference_gather_256_l1, X86(hf_avx2_gather_256_l1)}},
    {{&hf_reference_gather_512_l1, X86(hf_avx512_gather_512_l1)}},
    {{&hf_reference_gather_256_l2, X86(hf_avx2_gather_256_l2)}},
    {{&hf_reference_gather_512_l2, X86(hf_avx512_gather_512_l2)}},
    {{&hf_reference_gather_256_l3, X86(hf_avx2_gather_256_l3)}},
    {{&hf_reference_gather_512_l3, X86(hf_avx512_gather_512_l3)}},
    {{&hf_reference_gather_256_memory, X86(hf_avx2_gather_256_memory)}},
    {{&hf_reference_gather_512_memory, X86(hf_avx512_gather_512_memory)}},
    {{&hf_reference_copy_256_l1, X86(hf_avx2_copy_256_l1)}},
    {{&hf_reference_copy_512_l1, X86(hf_avx512_copy_512_l1)}},
    {{&hf_reference_copy_256_l2, X86(hf_avx2_copy_256_l2)}},
    {{&hf_reference_copy_512_l2, X86(hf_avx512_copy_512_l2)}},
    {{&hf_reference_copy_256_l3, X86(hf_avx2_copy_256_l3)}},
    {{&hf_reference_copy_512_l3, X86(hf_avx512_copy_512_l3)}},
    {{&hf_reference_copy_256_memory, X86(hf_avx2_copy_256_memory)}},
    {{&hf_reference_copy_512_memory, X86(hf_avx512_copy_512_memory)}},
    {{&hf_reference_handoff_group}},
    {{&hf_reference_handoff_across}},
    {{&hf_reference_vector_integer_128, X86(hf_crypto_vector_integer_128) X86(hf_avx2_vector_integer_128)
      X86(hf_avx512_vector_integer_128)
      ARM64(hf_aarch64_vector_integer_128)}},
    {{&hf_reference_vector_integer_256, X86(hf_avx2_vector_integer_256) X86(hf_avx512_vector_integer_256)}},
    {{&hf_reference_vector_integer_512, X86(hf_avx512_vector_integer_512)}},
    {{&hf_reference_cipher_128, X86(hf_crypto_cipher_128) ARM64(hf_aarch64_cipher_128)}},
    {{&hf_reference_cipher_256, X86(hf_avx2_cipher_256)}},
    {{&hf_reference_cipher_512, X86(hf_avx512_cipher_512)}},
    {{&hf_reference_fma_single_128, X86(hf_avx2_fma_single_128) ARM64(hf_aarch64_fma_single_128)}},
    {{&hf_reference_fma_single_256, X86(hf_avx2_fma_single_256)}},
    {{&hf_reference_fma_single_512, X86(hf_avx512_fma_single_512)}},
    {{&hf_reference_hash_64, X86(hf_avx2_hash_64)}},
    {{&hf_reference_hash_128, X86(hf_crypto_hash_128) ARM64(hf_aarch64_hash_128)}},
    {{&hf_reference_crc, X86(hf_crypto_crc) ARM64(hf_aarch64_crc)}},
    {{&hf_reference_carryless_128, X86(hf_crypto_carryless_128) ARM64(hf_aarch64_carryless_128)}},
    {{&hf_reference_carryless_256, X86(hf_avx2_carryless_256)}},
    {{&hf_reference_carryless_512, X86(hf_avx512_carryless_512)}},
    {{&hf_reference_packed_256, X86(hf_avx2_packed_256) X86(hf_avx512_packed_256)}},
    {{&hf_reference_packed_512, X86(hf_avx512_packed_512) X86(hf_avx512_packed_vnni_512)}},
    {{&hf_reference_key_schedule, X86(hf_crypto_key_schedule)}},
    {{&hf_reference_divide, X86(hf_avx2_divide)}},
    {{&hf_matrix_256_reference, X86(hf_avx2_matrix_256)}},
    {{&hf_matrix_512_reference, X86(hf_avx512_matrix_512)}},
    {{&hf_matrix_single_256_reference, X86(hf_avx2_matrix_single_256)}},
    {{&hf_matrix_single_512_reference, X86(hf_avx512_matrix_single_512)}},
    {{&hf_matrix_byte_512_reference, X86(hf_avx512_matrix_byte_512)}},
};
/* clang-format on */

#define LINE_COUNT ((int)(sizeof lines / sizeof lines[0]))

static struct {
    int ready;
    int forced; /* the reference entries, whatever the CPU can do */
    const struct hf_kernel *fastest[LINE_COUNT];
} registry;

static const struct hf_kernel *fastest_of(const struct line *line, unsigned features)
{
    const struct hf_kernel *fastest = line->entry[0];

    assert(fastest->needs == 0);
    for (int i = 1; i < ENTRIES_MAX && line->entry[i] != NULL; i++) {
        assert(line->entry[i]->width_bits == fastest->width_bits);
        assert(strcmp(line->entry[i]->name, fastest->name) == 0);
        if ((line->entry[i]->needs & ~features) == 0)
            fastest = line->entry[i];
    }
    return fastest;
}

/* The table starts as the reference table; faster entries replace it. */
static void registry_fill(void)
{
    const char *wish;
    unsigned features;

    if (registry.ready)
        return;
    features = hf_features_here(); /* slow on a virtual machine, which has to be asked */
    wish = getenv("HOLDFAST_KERNELS");
    for (int i = 0; i < LINE_COUNT; i++)
        registry.fastest[i] = fastest_of(&lines[i], features);
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
    return registry.forced ? lines[index].entry[0] : registry.fastest[index];
}

int hf_kernel_entries(int index, const struct hf_kernel *ret_entries[HF_KERNEL_ENTRIES_MAX])
{
    unsigned features = hf_features_here();
    int count = 0;

    assert(index >= 0 && index < LINE_COUNT);
    for (int i = 0; i < ENTRIES_MAX && lines[index].entry[i] != NULL; i++) {
        if ((lines[index].entry[i]->needs & ~features) == 0)
            ret_entries[count++] = lines[index].entry[i];
    }
    return count;
}

int hf_kernel_is_native(int index)
{
    assert(index >= 0 && index < LINE_COUNT);
    registry_fill();
    if (registry.fastest[index] != lines[index].entry[0])
        return 1;
    /* plain C only, on this architecture at least: it is what general registers do, and no wider vector */
    return lines[index].entry[1] == NULL && lines[index].entry[0]->width_bits <= 64;
}

int hf_kernel_index(const char *name, int width_bits)
{
    int found = -1;

    for (int i = 0; i < LINE_COUNT; i++) {
        if (strcmp(lines[i].entry[0]->name, name) != 0)
            continue;
        if (width_bits == lines[i].entry[0]->width_bits)
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

    return index < 0 ? NULL : lines[index].entry[0];
}

size_t hf_kernel_state_bytes_max(void)
{
    size_t max = 0;

    registry_fill();
    for (int i = 0; i < LINE_COUNT; i++) {
        if (lines[i].entry[0]->state_bytes > max)
            max = lines[i].entry[0]->state_bytes;
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
