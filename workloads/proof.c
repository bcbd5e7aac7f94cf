/* The proof that a detector detects: a planted wrong bit must be reported. */
#include <assert.h>

#include "holdfast/kernel.h"
#include "workloads/arena.h"

static int agrees(const struct hf_kernel *kernel, void *state, enum hf_operands operands, uint64_t seed,
                  const uint64_t *planted_bit)
{
    uint64_t burst = kernel->burst_steps;

    kernel->start(state, operands, seed);
    kernel->advance(state, burst);
    if (planted_bit != NULL)
        kernel->plant(state, *planted_bit);
    kernel->advance(state, burst + 1);
    return kernel->digest(state) == kernel->expect(operands, seed, 2 * burst + 1);
}

/* A wrong bit in the arena, which the kernel must meet on its way around; afterwards it is put back. */
static int arena_is_watched(const struct hf_kernel *kernel, void *state, enum hf_operands operands,
                            uint64_t seed, uint64_t bit)
{
    uint64_t steps;
    int reported;

    if (kernel->arena == HF_ARENA_NONE)
        return 1;
    steps = hf_arena_words(kernel->level) / kernel->words_per_step;
    kernel->start(state, operands, seed);
    (void)hf_arena_plant(kernel, bit);
    kernel->advance(state, steps);
    reported = kernel->digest(state) != kernel->expect(operands, seed, steps);
    (void)hf_arena_plant(kernel, bit);
    return reported;
}

int hf_kernel_proof(const struct hf_kernel *kernel, void *state, uint64_t seed, uint64_t bit)
{
    assert((uintptr_t)state % 64 == 0);
    for (int operands = 0; operands < HF_OPERANDS_COUNT; operands++) {
        enum hf_operands set = (enum hf_operands)operands;

        if (!agrees(kernel, state, set, seed, NULL) || agrees(kernel, state, set, seed, &bit) ||
            !arena_is_watched(kernel, state, set, seed, bit))
            return 0;
    }
    return 1;
}
