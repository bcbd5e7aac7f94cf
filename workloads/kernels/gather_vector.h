/*
 * The body of a vector entry of gather. The including file defines, for its width: WIDTH, VECTOR,
 * VECTOR_LANES, V_SET(word), V_LOAD, V_STORE, V_ADD, V_AND, V_OR, V_XOR, V_MULTIPLY_LOW (32 x 32 -> 64 bit),
 * V_GATHER(base, index), V_SCATTER(base, index, vector), V_OPAQUE, and the scatter switch
 * HF_GATHER_SCATTERS_<width>.
 *
 * Live in registers: the counters, the vector of flaws, stride, both masks, multiplier, addend; within a step
 * the indices and values of all vectors.
 */
#define VECTORS            HF_GATHER_VECTORS
#define NAME2(name, width) name##_##width
#define NAME1(name, width) NAME2(name, width)
#define NAME(name)         NAME1(name, WIDTH)
#define LANES              (VECTOR_LANES * VECTORS)
#define SCATTERS           NAME(HF_GATHER_SCATTERS)

#define ELSEWHERE 7 /* a seed */

_Static_assert(LANES == NAME(HF_GATHER_LANES), "lanes are a property of the width");

/* Did a constant change while it lived in a register? The bits that did. */
HF_INLINE uint64_t NAME(changed)(VECTOR vector, uint64_t constant)
{
    uint64_t lane[VECTOR_LANES] __attribute__((aligned(64)));
    uint64_t difference = 0;

    V_STORE(lane, vector);
    for (int i = 0; i < VECTOR_LANES; i++)
        difference |= lane[i] ^ constant;
    return difference;
}

/* How a step's words differ from what must be there: see gather.h. */
HF_INLINE VECTOR NAME(difference)(const VECTOR value[VECTORS], VECTOR sum)
{
    return V_XOR(V_ADD(V_ADD(value[0], value[1]), V_ADD(value[2], value[3])), sum);
}

HF_KERNEL_CODE static void NAME(advance)(void *opaque_state, uint64_t steps)
{
    struct hf_gather_state *state = opaque_state;
    const struct hf_arena *arena = &hf_arenas[HF_ARENA_GATHER];
    uint64_t *words = arena->words;
    VECTOR counter[VECTORS];
    VECTOR index[VECTORS];
    VECTOR value[VECTORS];
    VECTOR flaw = V_LOAD(state->lane_flaw);
    VECTOR stride = V_SET(state->stride);
    VECTOR mask = V_SET(arena->mask);
    VECTOR quarter = V_SET(arena->mask >> 2);
    VECTOR multiplier = V_SET(4 * arena->constant[HF_GATHER_MULTIPLIER]);
    VECTOR addend = V_SET(hf_gather_sum_addend(arena));
    VECTOR sum;
    const VECTOR ones = V_SET(UINT64_MAX);
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(words);
    V_OPAQUE(stride);
    V_OPAQUE(mask);
    V_OPAQUE(quarter); /* the sum to expect comes from an index of its own */
    V_OPAQUE(multiplier);
    V_OPAQUE(addend);
    (void)ones;
    HF_UNROLL
    for (int i = 0; i < VECTORS; i++)
        counter[i] = V_LOAD(&state->counter[i * VECTOR_LANES]);
    while (up < steps && down != 0) {
        HF_UNROLL
        for (int i = 0; i < VECTORS; i++) {
            index[i] = V_AND(counter[i], mask);
            value[i] = V_GATHER(words, index[i]);
        }
        sum = V_ADD(V_MULTIPLY_LOW(V_AND(counter[0], quarter), multiplier), addend);
        flaw = V_OR(flaw, NAME(difference)(value, sum));
        HF_UNROLL
        for (int i = 0; i < VECTORS && SCATTERS; i++)
            V_SCATTER(words, index[i], V_XOR(value[i], ones));
        HF_UNROLL
        for (int i = 0; i < VECTORS && SCATTERS; i++)
            value[i] = V_XOR(V_GATHER(words, index[i]), ones);
        if (SCATTERS)
            flaw = V_OR(flaw, NAME(difference)(value, sum));
        HF_UNROLL
        for (int i = 0; i < VECTORS && SCATTERS; i++)
            V_SCATTER(words, index[i], value[i]);
        HF_UNROLL
        for (int i = 0; i < VECTORS; i++)
            counter[i] = V_ADD(counter[i], stride);
        up++;
        down--;
        HF_OPAQUE(down);
    }
    HF_UNROLL
    for (int i = 0; i < VECTORS; i++)
        V_STORE(&state->counter[i * VECTOR_LANES], counter[i]);
    V_STORE(state->lane_flaw, flaw);
    HF_REREAD_MEMORY();
    state->flaw |= NAME(changed)(stride, state->stride) | NAME(changed)(mask, arena->mask) |
                   NAME(changed)(quarter, arena->mask >> 2) |
                   NAME(changed)(multiplier, 4 * arena->constant[HF_GATHER_MULTIPLIER]) |
                   NAME(changed)(addend, hf_gather_sum_addend(arena)) |
                   ((uint64_t)(uintptr_t)words ^ (uint64_t)(uintptr_t)arena->words) | (up ^ steps) | down;
}

/* The same gathers and scatters on the same walk, and nothing compared. Each call goes on where the last one
 * ended: the same few words again would come from a nearer cache. Far from where the kernel is that is
 * measured beside it (seed 1): it would find what the kernel has just brought. */
static uint64_t NAME(limit)(int level, uint64_t rounds, int lanes, int scatters)
{
    static _Thread_local uint64_t start;
    const struct hf_arena *arena = hf_arena_get(HF_ARENA_GATHER, level, HF_OPERANDS_FULL);
    uint64_t *words = arena->words;
    struct hf_gather_state state;
    VECTOR counter[VECTORS];
    VECTOR stride, mask;

    hf_gather_start(&state, level, HF_OPERANDS_FULL, ELSEWHERE, lanes);
    stride = V_SET(state.stride);
    mask = V_SET(arena->mask);
    HF_UNROLL
    for (int i = 0; i < VECTORS; i++)
        counter[i] = V_ADD(V_LOAD(&state.counter[i * VECTOR_LANES]), V_SET(start));
    start += rounds * 16 * state.stride;
    HF_OPAQUE(words);
    V_OPAQUE(stride);
    V_OPAQUE(mask);
    for (uint64_t round = 0; round < rounds * 16; round++) {
        VECTOR index[VECTORS];
        VECTOR value[VECTORS];

        HF_UNROLL
        for (int i = 0; i < VECTORS; i++)
            index[i] = V_AND(counter[i], mask);
        HF_UNROLL
        for (int i = 0; i < VECTORS; i++)
            value[i] = V_GATHER(words, index[i]);
        HF_UNROLL
        for (int i = 0; i < VECTORS; i++)
            V_OPAQUE(value[i]);
        HF_UNROLL
        for (int i = 0; i < VECTORS && SCATTERS; i++)
            V_SCATTER(words, index[i], value[i]);
        HF_UNROLL
        for (int i = 0; i < VECTORS && SCATTERS; i++)
            value[i] = V_GATHER(words, index[i]);
        HF_UNROLL
        for (int i = 0; i < VECTORS && SCATTERS; i++)
            V_SCATTER(words, index[i], value[i]);
        HF_UNROLL
        for (int i = 0; i < VECTORS; i++)
            counter[i] = V_ADD(counter[i], stride);
    }
    (void)scatters;
    return rounds * 16 * VECTORS * (1 + 3 * SCATTERS);
}

#define ADVANCE NAME(advance)
#define LIMIT   NAME(limit)
#undef LANES
#undef SCATTERS
#include "workloads/kernels/gather_entries.h"

#undef VECTORS
#undef ELSEWHERE
#undef NAME2
#undef NAME1
#undef NAME
