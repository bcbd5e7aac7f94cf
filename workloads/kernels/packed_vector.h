/*
 * The body of a vector entry of packed-multiply. The including file defines, for its width:
 *   WIDTH, ISA, NEEDS, BURST, ENTRY_NAME, LIMIT   registry data
 *   VECTOR, VECTOR_WORDS                          the type, and how many 64-bit words it holds
 *   V_LOAD(p), V_STORE(p, v), V_XOR(a, b), V_PAIR(p)   V_PAIR: two words in every 128 bit of a vector
 *   V_TWOS(sum, x, k)                             sum + the products of 16 bit, by twos
 *   V_FOURS(sum, x, k, ones)                      sum + the products of 8 bit, by fours
 *   OPERATIONS                                    vector instructions of both
 *   V_OPAQUE(v)                                   keeps v in a register the compiler knows nothing of
 *   IN_REGISTERS                                  1: there are registers enough for both vectors of all pairs
 *
 * Live in registers: both vectors of all pairs, or the right one of each, and k1, k2 and ones. The left ones
 * then live in the state's memory.
 */
#define NAME2(name, width) name##_##width
#define NAME1(name, width) NAME2(name, width)
#define NAME(name)         NAME1(name, WIDTH)
#define MOVING             NAME(HF_PACKED_MOVING)

_Static_assert(MOVING == HF_PACKED_PAIRS * 2 * VECTOR_WORDS, "words are a property of the width");

#define EACH_PAIR(statement)                                                                                 \
    HF_UNROLL                                                                                                \
    for (int i = 0; i < HF_PACKED_PAIRS; i++)                                                                \
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

HF_INLINE void NAME(load)(VECTOR x[HF_PACKED_PAIRS][2], const uint64_t *words){EACH_PAIR({
    x[i][0] = V_LOAD(&words[2 * i * VECTOR_WORDS]);
    x[i][1] = V_LOAD(&words[(2 * i + 1) * VECTOR_WORDS]);
})}

HF_INLINE void NAME(store)(VECTOR x[HF_PACKED_PAIRS][2], uint64_t *words){EACH_PAIR({
    V_STORE(&words[2 * i * VECTOR_WORDS], x[i][0]);
    V_STORE(&words[(2 * i + 1) * VECTOR_WORDS], x[i][1]);
})}

HF_INLINE
    void NAME(step)(VECTOR x[HF_PACKED_PAIRS][2], const uint64_t *steer, const struct NAME(constants) * k)
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

/*
 * Without registers for both: a sum is added to what its vector was a round ago, so the left vectors can wait
 * in memory without their loads and stores being in the chain, and all pairs run side by side.
 */
HF_INLINE void NAME(step_in_memory)(VECTOR right[HF_PACKED_PAIRS], uint64_t *words, const uint64_t *steer,
                                    const struct NAME(constants) * k)
{
    HF_UNROLL
    for (int round = 0; round < HF_PACKED_ROUNDS; round++) {
        EACH_PAIR({
            VECTOR left = V_TWOS(V_LOAD(&words[2 * i * VECTOR_WORDS]), right[i], k->k1);

            V_STORE(&words[2 * i * VECTOR_WORDS], left);
            right[i] = V_FOURS(right[i], left, k->k2, k->ones);
            V_OPAQUE(right[i]);
        })
        HF_REREAD_MEMORY();
    }
    EACH_PAIR({
        uint64_t *left = &words[2 * i * VECTOR_WORDS];

        V_STORE(left, V_XOR(V_LOAD(left), V_LOAD(&steer[2 * i * VECTOR_WORDS])));
        right[i] = V_XOR(right[i], V_LOAD(&steer[(2 * i + 1) * VECTOR_WORDS]));
    })
    HF_REREAD_MEMORY();
}

HF_INLINE void NAME(steps_in_registers)(struct hf_steered_state *state, uint64_t steps,
                                        const struct NAME(constants) * k)
{
    uint64_t position = state->position;
    VECTOR x[HF_PACKED_PAIRS][2];
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(position);
    NAME(load)(x, state->word);
    while (up < steps && down != 0) {
        NAME(step)(x, HF_STEERED_AT(state, MOVING, position), k);
        position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    NAME(store)(x, state->word);
    HF_REREAD_MEMORY();
    state->flaw |= (up ^ steps) | down | ((state->position + steps) ^ position);
    state->position = position;
}

HF_INLINE void NAME(steps_in_memory)(struct hf_steered_state *state, uint64_t steps,
                                     const struct NAME(constants) * k)
{
    uint64_t position = state->position;
    uint64_t *words = state->word;
    VECTOR right[HF_PACKED_PAIRS];
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(position);
    EACH_PAIR(right[i] = V_LOAD(&words[(2 * i + 1) * VECTOR_WORDS]));
    while (up < steps && down != 0) {
        HF_OPAQUE(words); /* the compiler would keep the address of every vector */
        NAME(step_in_memory)(right, words, HF_STEERED_AT(state, MOVING, position), k);
        position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    EACH_PAIR(V_STORE(&words[(2 * i + 1) * VECTOR_WORDS], right[i]));
    HF_REREAD_MEMORY();
    state->flaw |=
        (uint64_t)(words != state->word) | (up ^ steps) | down | ((state->position + steps) ^ position);
    state->position = position;
}

HF_KERNEL_CODE static void NAME(advance)(void *opaque_state, uint64_t steps)
{
    struct hf_steered_state *state = opaque_state;
    const uint64_t *constants = &state->word[MOVING * (HF_STEERED_STATIONS + 1)];
    struct NAME(constants) k = {V_PAIR(constants), V_PAIR(constants + 2), V_PAIR(NAME(one_words))};

    V_OPAQUE(k.k1);
    V_OPAQUE(k.k2);
    V_OPAQUE(k.ones);
    if (IN_REGISTERS)
        NAME(steps_in_registers)(state, steps, &k);
    else
        NAME(steps_in_memory)(state, steps, &k);
    state->flaw |= NAME(changed)(k.k1, constants) | NAME(changed)(k.k2, constants + 2) |
                   NAME(changed)(k.ones, NAME(one_words));
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
