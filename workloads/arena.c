/* Arenas: see arena.h. */
#include "workloads/arena.h"

#include <assert.h>
#include <errno.h>
#include <sys/mman.h>

#define HUGE_PAGE_BYTES (UINT64_C(2) << 20)

_Thread_local struct hf_arena hf_arenas[HF_ARENA_KINDS];
_Thread_local _Atomic uint64_t *hf_arena_progress;

static hf_arena_formula *const formulas[HF_ARENA_KINDS] = {
    [HF_ARENA_CHASE] = hf_chase_formula,
    [HF_ARENA_GATHER] = hf_gather_formula,
    [HF_ARENA_COPY] = hf_copy_formula,
};

uint64_t hf_arena_words(int level)
{
    assert(level >= 1 && level < HF_LEVELS);
    return hf_sizes_get()->arena_bytes[level] / sizeof(uint64_t);
}

static void unmap(struct hf_arena *arena)
{
    if (arena->words != NULL)
        (void)munmap(arena->words, arena->mapped_bytes);
    *arena = (struct hf_arena){0};
}

/* Where memory is locked, making it usable takes its pages at once: so a shortage shows here and not in a
 * kernel. Part by part, with a sign of life after each. */
static int open_parts(char *memory, size_t bytes)
{
    for (size_t done = 0; done < bytes;) {
        size_t part = bytes - done < HF_ARENA_PART_BYTES ? bytes - done : HF_ARENA_PART_BYTES;

        if (mprotect(memory + done, part, PROT_READ | PROT_WRITE) != 0)
            return errno;
        done += part;
        hf_arena_tick();
    }
    return 0;
}

static int map(struct hf_arena *arena, size_t bytes, struct hf_error *error)
{
    void *memory;
    int trouble;

    if (arena->words != NULL && arena->mapped_bytes == bytes)
        return HF_OK;
    unmap(arena);
    memory = mmap(NULL, bytes, PROT_NONE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    trouble = memory == MAP_FAILED ? errno : 0;
    if (trouble == 0 && bytes >= HUGE_PAGE_BYTES)
        (void)madvise(memory, bytes, MADV_HUGEPAGE); /* fewer page faults; without it all the same */
    if (trouble == 0)
        trouble = open_parts(memory, bytes);
    if (trouble != 0) {
        if (memory != MAP_FAILED)
            (void)munmap(memory, bytes);
        return hf_fail_errno(error, trouble,
                             "no memory for a kernel's arena of %zu KiB (locked memory is limited too)",
                             bytes / 1024);
    }
    *arena = (struct hf_arena){.words = memory, .mapped_bytes = bytes};
    return HF_OK;
}

static size_t bytes_of_level(int level)
{
    return (size_t)(hf_arena_words(level) * sizeof(uint64_t)) + HF_ARENA_SPARE_BYTES;
}

int hf_arena_reserve(const struct hf_kernel *kernel, struct hf_error *error)
{
    assert(kernel->arena >= 0 && kernel->arena < HF_ARENA_KINDS);
    if (kernel->arena == HF_ARENA_NONE)
        return HF_OK;
    return map(&hf_arenas[kernel->arena], bytes_of_level(kernel->level), error);
}

const struct hf_arena *hf_arena_get(enum hf_arena_kind kind, int level, enum hf_operands operands)
{
    struct hf_arena *arena = &hf_arenas[kind];
    struct hf_lane_report unused = {.lane = -1};
    struct hf_error error = {0};
    int code;

    assert(kind > HF_ARENA_NONE && kind < HF_ARENA_KINDS);
    if (arena->mask == hf_arena_words(level) - 1 && arena->operands == operands && arena->level == level)
        return arena;
    code = map(arena, bytes_of_level(level), &error);
    assert(code == HF_OK);
    (void)code;
    arena->mask = hf_arena_words(level) - 1;
    arena->level = level;
    arena->operands = operands;
    (void)formulas[kind](arena, 0, &unused);
    return arena;
}

uint64_t hf_arena_scrub(struct hf_lane_report *ret_report)
{
    uint64_t wrong = 0;

    *ret_report = (struct hf_lane_report){.lane = -1};
    for (int kind = HF_ARENA_NONE + 1; kind < HF_ARENA_KINDS; kind++) {
        if (hf_arenas[kind].mask != 0)
            wrong += formulas[kind](&hf_arenas[kind], 1, ret_report);
    }
    return wrong;
}

void hf_arena_drop(void)
{
    for (int kind = HF_ARENA_NONE + 1; kind < HF_ARENA_KINDS; kind++)
        unmap(&hf_arenas[kind]);
}

void hf_arena_keep(const struct hf_kernel *const *kernels, int count)
{
    for (int kind = HF_ARENA_NONE + 1; kind < HF_ARENA_KINDS; kind++) {
        int used = 0;

        for (int i = 0; i < count; i++)
            used |=
                kernels[i] != NULL && kernels[i]->arena == kind && kernels[i]->level == hf_arenas[kind].level;
        if (!used)
            unmap(&hf_arenas[kind]);
    }
}

int hf_arena_any(void)
{
    int any = 0;

    for (int kind = HF_ARENA_NONE + 1; kind < HF_ARENA_KINDS; kind++)
        any |= hf_arenas[kind].mask != 0;
    return any;
}

int hf_arena_plant(const struct hf_kernel *kernel, uint64_t bit)
{
    struct hf_arena *arena = &hf_arenas[kernel->arena];

    if (kernel->arena == HF_ARENA_NONE)
        return 0;
    assert(arena->mask != 0);
    arena->words[bit / 64 & arena->mask] ^= UINT64_C(1) << bit % 64;
    return 1;
}
