/*
 * The body of a vector entry of packed-multiply. The including file defines, for its width:
 *   WIDTH, ISA, NEEDS, BURST, ENTRY_NAME, LIMIT   registry data
 *   VECTOR, VECTOR_WORDS                          the type, and how many 64-bit words it holds
 *   V_LOAD(p), V_STORE(p, v), V_XOR(a, b), V_PAIR(p)   V_PAIR: two words in every 128 bit of a vector
 *   V_TWOS(sum, x, k)                             sum + the products of 16 bit, by twos
 *   V_FOURS(sum, x, k, ones)                      sum + the products of 8 bit, by fours
 *   OPERATIONS                                    vector instructions of both
 *   V_OPAQUE(v)                                   keeps v in a register the compiler knows nothing of
 *   TOGETHER                                      pairs that are in registers at a time, a divisor of all
 *
 * Live in registers: TOGETHER pairs of vectors, k1, k2 and ones; where TOGETHER is less than all pairs, the
 * vectors live in memory between steps.
 */
#define NAME2(name, width) name##_##width
#define NAME1(name, width) NAME2(name, width)
#define NAME(name)         NAME1(name, WIDTH)
#define MOVING             NAME(HF_PACKED_MOVING)

_Static_assert(MOVING == HF_PACKED_PAIRS * 2 * VECTOR_WORDS, "words are a property of the width");
_Static_assert(HF_PACKED_PAIRS % TOGETHER == 0, "whole sets of pairs");

#define EACH_PAIR(statement)                                                                                 \
    HF_UNROLL                                                                                                \
    for (int i = 0; i < TOGETHER; i++)                                                                       \
    statement

struct NAME(constants) {
    VECTOR k1, k2, ones;
};

static const _Alignas(16) uint64_t
    NAME(one_words)[2] = {UINT64_C(0x0001000100010001), UINT64_C(0x0001000100010001)};

HF_INLINE uint64_t NAME(changed)(VECTOR pair, const uint64_t *words)
{
    _Alignas(64) uint64_t got[VECTOR_WORDS];
    uint64_t difference = 0;

    V_STORE(got, pair);
    HF_UNROLL
    for (int i = 0; i < VECTOR_WORDS; i++)
        difference |= got[i] ^ words[i % 2];
    return difference;
}

HF_INLINE void NAME(load)(VECTOR x[TOGETHER][2], const uint64_t *words){EACH_PAIR({
    x[i][0] = V_LOAD(&words[2 * i * VECTOR_WORDS]);
    x[i][1] = V_LOAD(&words[(2 * i + 1) * VECTOR_WORDS]);
})}

HF_INLINE void NAME(store)(VECTOR x[TOGETHER][2], uint64_t *words){EACH_PAIR({
    V_STORE(&words[2 * i * VECTOR_WORDS], x[i][0]);
    V_STORE(&words[(2 * i + 1) * VECTOR_WORDS], x[i][1]);
})}

HF_INLINE void NAME(step)(VECTOR x[TOGETHER][2], const uint64_t *steer, const struct NAME(constants) * k)
{
    HF_UNROLL
    for (int round = 0; round < HF_PACKED_ROUNDS; round++) {
        EACH_PAIR(x[i][0] = V_TWOS(x[i][0], x[i][1], k->k1));
        EACH_PAIR(x[i][1] = V_FOURS(x[i][1], x[i][0], k->k2, k->ones));
    }
    EACH_PAIR({
        x[i][0] = V_XOR(x[i][0], V_LOAD(&steer[2 * i * VECTOR_WORDS]));
        x[i][1] = V_XOR(x[i][1], V_LOAD(&steer[(2 * i + 1) * VECTOR_WORDS]));
    })
}

HF_INLINE void NAME(step_in_memory)(uint64_t *words, const uint64_t *steer, const struct NAME(constants) * k)
{
    VECTOR x[TOGETHER][2];

    HF_UNROLL
    for (int first = 0; first < HF_PACKED_PAIRS; first += TOGETHER) {
        NAME(load)(x, words + first * 2 * VECTOR_WORDS);
        NAME(step)(x, steer + first * 2 * VECTOR_WORDS, k);
        NAME(store)(x, words + first * 2 * VECTOR_WORDS);
    }
}

#define IN_REGISTERS (TOGETHER == HF_PACKED_PAIRS)

HF_KERNEL_CODE static void NAME(advance)(void *opaque_state, uint64_t steps)
{
    struct hf_steered_state *state = opaque_state;
    const uint64_t *constants = &state->word[MOVING * (HF_STEERED_STATIONS + 1)];
    struct NAME(constants) k = {V_PAIR(constants), V_PAIR(constants + 2), V_PAIR(NAME(one_words))};
    uint64_t position = state->position;
    VECTOR x[TOGETHER][2];
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(position);
    V_OPAQUE(k.k1);
    V_OPAQUE(k.k2);
    V_OPAQUE(k.ones);
    if (IN_REGISTERS)
        NAME(load)(x, state->word);
    while (up < steps && down != 0) {
        const uint64_t *steer = HF_STEERED_AT(state, MOVING, position);

        if (IN_REGISTERS)
            NAME(step)(x, steer, &k);
        else
            NAME(step_in_memory)(state->word, steer, &k);
        position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    if (IN_REGISTERS)
        NAME(store)(x, state->word);
    HF_REREAD_MEMORY();
    state->flaw |= NAME(changed)(k.k1, constants) | NAME(changed)(k.k2, constants + 2) |
                   NAME(changed)(k.ones, NAME(one_words)) | (up ^ steps) | down |
                   ((state->position + steps) ^ position);
    state->position = position;
}

/* The same instructions, more of them side by side than they have latency. */
static uint64_t NAME(limit)(uint64_t rounds)
{
    VECTOR k = V_PAIR(NAME(one_words));
    VECTOR ones = k;
    VECTOR other = k;

    V_OPAQUE(k);
    V_OPAQUE(ones);
    for (uint64_t round = 0; round < rounds; round++) {
        HF_UNROLL
        for (int i = 0; i < HF_PACKED_PAIRS; i++) {
            VECTOR twos = ones, fours = ones;

            V_OPAQUE(other);
            twos = V_TWOS(twos, other, k);
            fours = V_FOURS(fours, other, k, ones);
            V_OPAQUE(twos);
            V_OPAQUE(fours);
        }
    }
    return rounds * HF_PACKED_PAIRS * OPERATIONS;
}

const struct hf_kernel ENTRY_NAME = {
    .name = "packed-multiply",
    .isa = ISA,
    .needs = NEEDS,
    .width_bits = WIDTH,
    .load_class = HF_LOAD_VECTOR_INT,
    HF_STEERED_FIELDS(NAME(packed), MOVING, HF_PACKED_CONSTANTS),
    .live_state = HF_LIVE_VECTOR | HF_LIVE_MEMORY,
    .burst_steps = BURST,
    .operations_per_step = HF_PACKED_PAIRS * HF_PACKED_ROUNDS * OPERATIONS,
    .limit = LIMIT,
    .limit_loop = NAME(limit),
    .advance = NAME(advance),
};

#undef NAME2
#undef NAME1
#undef NAME
#undef MOVING
#undef EACH_PAIR
#undef IN_REGISTERS
#undef WIDTH
#undef TOGETHER
#undef ISA
#undef NEEDS
#undef BURST
#undef LIMIT
#undef ENTRY_NAME
#undef VECTOR
#undef VECTOR_WORDS
#undef V_LOAD
#undef V_STORE
#undef V_XOR
#undef V_PAIR
#undef V_TWOS
#undef V_FOURS
#undef OPERATIONS
#undef V_OPAQUE
