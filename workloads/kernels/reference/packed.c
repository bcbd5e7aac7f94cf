/*
 * packed-multiply, plain C: one 32-bit sum after the other.
 *
 * Masked errors, and what catches them (see also steered.h):
 *   - a wrong product makes a wrong sum, and the sum is the state: there is no rounding and no saturation.
 *   - a wrong bit of an operand may leave one sum as it is (a factor of 0): the operand is itself half of
 *     the state and stays wrong.
 *   - 32-bit sums do not mix with their neighbours: an error stays in its pair of words, and there for
 *     ever.
 *   - wrong constants: used in every round, and compared at the end of each burst.
 * Operands: both halves and k1 are of the set at each step; sums leave it within a few of the rounds.
 */
#include "workloads/kernels/packed.h"
#include "workloads/kernels/entries.h"

HF_INLINE uint32_t signed_products(uint32_t x, uint32_t k)
{
    int32_t low = (int16_t)(uint16_t)x * (int16_t)(uint16_t)k;
    int32_t high = (int16_t)(uint16_t)(x >> 16) * (int16_t)(uint16_t)(k >> 16);

    return (uint32_t)low + (uint32_t)high;
}

HF_INLINE uint32_t byte_products(uint32_t x, uint32_t k)
{
    int32_t sum = 0;

    for (int i = 0; i < 32; i += 8)
        sum += (int32_t)(x >> i & 0xff) * (int8_t)(uint8_t)(k >> i);
    return (uint32_t)sum;
}

HF_INLINE uint32_t half_of(const uint64_t *words, int index)
{
    return (uint32_t)(words[index / 2] >> 32 * (index % 2));
}

/* The pairs' words two by two, which are halves of 64 bit of them. */
HF_INLINE void step_of(const uint64_t *constants, uint64_t *words, int vector_words)
{
    for (int i = 0; i < HF_PACKED_PAIRS * vector_words; i++) {
        uint64_t *left = &words[i / vector_words * 2 * vector_words + i % vector_words];
        uint64_t *right = left + vector_words;
        uint32_t l[2], r[2];

        for (int h = 0; h < 2; h++) {
            int column = i % 2 * 2 + h;

            l[h] = half_of(left, h);
            r[h] = half_of(right, h);
            for (int round = 0; round < HF_PACKED_ROUNDS; round++) {
                l[h] += signed_products(r[h], half_of(constants, column));
                r[h] += byte_products(l[h], half_of(constants + 2, column));
            }
        }
        *left = (uint64_t)l[1] << 32 | l[0];
        *right = (uint64_t)r[1] << 32 | r[0];
    }
}

HF_INLINE void plain_advance(struct hf_steered_state *state, uint64_t steps, int vector_words)
{
    int moving = HF_PACKED_PAIRS * 2 * vector_words;
    const uint64_t *constants = &state->word[moving * (HF_STEERED_STATIONS + 1)];
    uint64_t up = 0;
    uint64_t down = steps;

    while (up < steps && down != 0) {
        const uint64_t *steer = HF_STEERED_AT(state, (uint64_t)moving, state->position);

        step_of(constants, state->word, vector_words);
        for (int i = 0; i < moving; i++)
            state->word[i] ^= steer[i];
        state->position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down;
}

/* A byte of -63 .. 63 that is not 0, of the set as far as it fits. */
static uint64_t small_byte(uint64_t byte, uint64_t random)
{
    int64_t value = (int64_t)(byte & 63);

    if (value == 0)
        value = 1 + (int64_t)(random % 63);
    return (uint64_t)(random >> 8 & 1 ? -value : value) & 0xff;
}

static void constants_of(enum hf_operands operands, uint64_t table_seed, uint64_t *ret_constants)
{
    for (uint64_t i = 0; i < 2; i++) {
        uint64_t word = hf_steered_operand(operands, hf_seed_word(table_seed, 500000 + i));

        ret_constants[i] = hf_steered_operand(operands, hf_seed_word(table_seed, 500010 + i));
        ret_constants[2 + i] = 0;
        for (uint64_t b = 0; b < 64; b += 8)
            ret_constants[2 + i] |= small_byte(word >> b, hf_seed_word(table_seed, 500020 + 64 * i + b)) << b;
    }
}

#define PLAIN_ENTRY(width, burst)                                                                            \
    static void step_##width(const uint64_t *constants, uint64_t station, uint64_t *words)                   \
    {                                                                                                        \
        (void)station;                                                                                       \
        step_of(constants, words, (width) / 64);                                                             \
    }                                                                                                        \
    static const struct hf_steered_shape shape_##width = {.moving = HF_PACKED_MOVING_##width,                \
                                                          .constants = HF_PACKED_CONSTANTS,                  \
                                                          .constants_of = constants_of,                      \
                                                          .step = step_##width};                             \
    HF_STEERED_DEFINE(packed_##width, shape_##width)                                                         \
    HF_KERNEL_CODE static void advance_##width(void *state, uint64_t steps)                                  \
    {                                                                                                        \
        plain_advance(state, steps, (width) / 64);                                                           \
    }                                                                                                        \
    const struct hf_kernel hf_reference_packed_##width = {                                                   \
        .name = "packed-multiply",                                                                           \
        .isa = "reference",                                                                                  \
        .width_bits = (width),                                                                               \
        .load_class = HF_LOAD_MULTIPLY,                                                                      \
        HF_STEERED_FIELDS(packed_##width, HF_PACKED_MOVING_##width, HF_PACKED_CONSTANTS),                    \
        .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,                                                      \
        .burst_steps = (burst),                                                                              \
        .operations_per_step = HF_PACKED_MOVING_##width * HF_PACKED_ROUNDS * 6,                              \
        .limit = "integer multiply issue",                                                                   \
        .advance = advance_##width,                                                                          \
    };

PLAIN_ENTRY(256, 20)
PLAIN_ENTRY(512, 10)
