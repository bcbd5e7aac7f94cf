/* The proof that a detector detects: a planted wrong bit must be reported. */
#include <assert.h>

#include "holdfast/kernel.h"

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

int hf_kernel_proof(const struct hf_kernel *kernel, void *state, uint64_t seed, uint64_t bit)
{
    assert((uintptr_t)state % 64 == 0);
    for (int operands = 0; operands < HF_OPERANDS_COUNT; operands++) {
        enum hf_operands set = (enum hf_operands)operands;

        if (!agrees(kernel, state, set, seed, NULL) || agrees(kernel, state, set, seed, &bit))
            return 0;
    }
    return 1;
}
