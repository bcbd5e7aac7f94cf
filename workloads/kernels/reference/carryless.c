/*
 * carry-less, plain C: the definition, bit by bit. For each bit of one factor, from the lowest up, the other
 * factor is added or not, and the sum divided by x modulo the modulus: 128 times, which is the x^-128.
 *
 * Masked errors, and what catches them (see also steered.h):
 *   - multiplication by H (not 0) is a bijection, linear over the bits: a wrong bit of an element, of a
 *     partial product or of the reduction is a wrong element.
 *   - a wrong bit of H or of the reducing constant in a register: it makes the next products wrong, and
 *     both are compared at the end of each burst.
 * Operands: elements and H are of the set at every step.
 */
#include "workloads/kernels/carryless.h"
#include "workloads/kernels/entries.h"

/* a b x^-128 into a. */
HF_INLINE void dot(uint64_t a[2], const uint64_t b[2])
{
    uint64_t low = 0, high = 0;

    for (int i = 0; i < 128; i++) {
        uint64_t take = 0 - (b[i / 64] >> i % 64 & 1);
        uint64_t odd;

        low ^= a[0] & take;
        high ^= a[1] & take;
        odd = 0 - (low & 1); /* the modulus is added, whose x^128 comes in at the top */
        low = (low >> 1) | high << 63;
        high >>= 1;
        high ^= odd & (HF_CARRYLESS_REDUCER >> 1 | UINT64_C(1) << 63);
    }
    a[0] = low;
    a[1] = high;
}

void hf_carryless_dot(uint64_t a[2], const uint64_t b[2])
{
    dot(a, b);
}

HF_INLINE void dot_all(const uint64_t *constants, uint64_t *words, int moving)
{
    for (int i = 0; i < moving; i += 2)
        dot(words + i, constants);
}

HF_INLINE void plain_advance(struct hf_steered_state *state, uint64_t steps, int moving)
{
    const uint64_t *constants = &state->word[moving * (HF_STEERED_STATIONS + 1)];
    uint64_t up = 0;
    uint64_t down = steps;

    while (up < steps && down != 0) {
        const uint64_t *steer = HF_STEERED_AT(state, (uint64_t)moving, state->position);

        dot_all(constants, state->word, moving);
        for (int i = 0; i < moving; i++)
            state->word[i] ^= steer[i];
        state->position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down;
}

static void constants_of(enum hf_operands operands, uint64_t table_seed, uint64_t *ret_constants)
{
    for (uint64_t i = 0; i < HF_CARRYLESS_CONSTANTS; i++)
        ret_constants[i] = hf_steered_operand(operands, hf_seed_word(table_seed, 400000 + i));
    ret_constants[0] |= 1; /* not 0 */
}

#define PLAIN_ENTRY(width, burst)                                                                            \
    static void step_##width(const uint64_t *constants, uint64_t station, uint64_t *words)                   \
    {                                                                                                        \
        (void)station;                                                                                       \
        dot_all(constants, words, HF_CARRYLESS_MOVING_##width);                                              \
    }                                                                                                        \
    static const struct hf_steered_shape shape_##width = {.moving = HF_CARRYLESS_MOVING_##width,             \
                                                          .constants = HF_CARRYLESS_CONSTANTS,               \
                                                          .constants_of = constants_of,                      \
                                                          .step = step_##width};                             \
    HF_STEERED_DEFINE(carryless_##width, shape_##width)                                                      \
    HF_KERNEL_CODE static void advance_##width(void *state, uint64_t steps)                                  \
    {                                                                                                        \
        plain_advance(state, steps, HF_CARRYLESS_MOVING_##width);                                            \
    }                                                                                                        \
    const struct hf_kernel hf_reference_carryless_##width = {                                                \
        .name = "carry-less",                                                                                \
        .isa = "reference",                                                                                  \
        .width_bits = (width),                                                                               \
        .load_class = HF_LOAD_SCALAR,                                                                        \
        HF_STEERED_FIELDS(carryless_##width, HF_CARRYLESS_MOVING_##width, HF_CARRYLESS_CONSTANTS),           \
        .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,                                                      \
        .burst_steps = (burst),                                                                              \
        .operations_per_step = HF_CARRYLESS_MOVING_##width / 2 * 128,                                        \
        .limit = "integer issue",                                                                            \
        .advance = advance_##width,                                                                          \
    };

PLAIN_ENTRY(128, 10)
PLAIN_ENTRY(256, 5)
PLAIN_ENTRY(512, 3)
