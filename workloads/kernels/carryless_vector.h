/*
 * The body of a vector entry of carry-less. The including file defines, for its width:
 *   WIDTH, ISA, NEEDS, BURST, ENTRY_NAME                 registry data
 *   VECTOR, VECTOR_WORDS                                 the type, and how many 64-bit words it holds
 *   V_LOAD(p), V_STORE(p, v), V_XOR(a, b), V_PAIR(p)     V_PAIR: two words in every element of a vector
 *   V_MULTIPLY(a, b, which)                              one product of halves, `which` as the instruction
 * has it V_EXCHANGE(a), V_LOW_UP(a), V_HIGH_DOWN(a)           halves of an element: exchanged; the lower
 * moved up over zeros; the upper moved down under zeros V_OPAQUE(v) keeps v in a register the compiler knows
 * nothing of
 *
 * The reduction: with P = x^128 + (x^127 + x^126 + x^121) + 1 and 64-bit words X3 X2 X1 X0 of the product,
 * adding X0 P makes the lowest word 0, whose division by x^64 is then exact; twice.
 *
 * Live in registers: HF_CARRYLESS_VECTORS vectors of elements, H, the reducing constant; temporaries between.
 */
#define NAME2(name, width) name##_##width
#define NAME1(name, width) NAME2(name, width)
#define NAME(name)         NAME1(name, WIDTH)
#define MOVING             NAME(HF_CARRYLESS_MOVING)

_Static_assert(MOVING == HF_CARRYLESS_VECTORS * VECTOR_WORDS, "words are a property of the width");

#define EACH_VECTOR(statement)                                                                               \
    HF_UNROLL                                                                                                \
    for (int i = 0; i < HF_CARRYLESS_VECTORS; i++)                                                           \
    statement

HF_INLINE VECTOR NAME(dot)(VECTOR x, VECTOR h, VECTOR reducer)
{
    VECTOR low = V_MULTIPLY(x, h, 0x00);
    VECTOR high = V_MULTIPLY(x, h, 0x11);
    VECTOR middle = V_XOR(V_MULTIPLY(x, h, 0x01), V_MULTIPLY(x, h, 0x10));

    low = V_XOR(low, V_LOW_UP(middle));
    high = V_XOR(high, V_HIGH_DOWN(middle));
    low = V_XOR(V_EXCHANGE(low), V_MULTIPLY(low, reducer, 0x00));
    low = V_XOR(V_EXCHANGE(low), V_MULTIPLY(low, reducer, 0x00));
    return V_XOR(low, high);
}

HF_INLINE uint64_t NAME(changed)(VECTOR pair, uint64_t even, uint64_t odd)
{
    _Alignas(64) uint64_t got[VECTOR_WORDS];
    uint64_t difference = 0;

    V_STORE(got, pair);
    HF_UNROLL
    for (int i = 0; i < VECTOR_WORDS; i++)
        difference |= got[i] ^ (i % 2 ? odd : even);
    return difference;
}

static const _Alignas(16) uint64_t NAME(reducer_words)[2] = {HF_CARRYLESS_REDUCER, HF_CARRYLESS_REDUCER};

HF_KERNEL_CODE static void NAME(advance)(void *opaque_state, uint64_t steps)
{
    struct hf_steered_state *state = opaque_state;
    const uint64_t *constants = &state->word[MOVING * (HF_STEERED_STATIONS + 1)];
    VECTOR h = V_PAIR(constants);
    VECTOR reducer = V_PAIR(NAME(reducer_words));
    VECTOR x[HF_CARRYLESS_VECTORS];
    uint64_t position = state->position;
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(position);
    V_OPAQUE(h);
    V_OPAQUE(reducer);
    EACH_VECTOR(x[i] = V_LOAD(&state->word[i * VECTOR_WORDS]));
    while (up < steps && down != 0) {
        const uint64_t *steer = HF_STEERED_AT(state, MOVING, position);

        EACH_VECTOR(x[i] = V_XOR(NAME(dot)(x[i], h, reducer), V_LOAD(&steer[i * VECTOR_WORDS])));
        position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    EACH_VECTOR(V_STORE(&state->word[i * VECTOR_WORDS], x[i]));
    HF_REREAD_MEMORY();
    state->flaw |= NAME(changed)(h, constants[0], constants[1]) |
                   NAME(changed)(reducer, HF_CARRYLESS_REDUCER, HF_CARRYLESS_REDUCER) | (up ^ steps) | down |
                   ((state->position + steps) ^ position);
    state->position = position;
}

/* Independent products and nothing else. */
static uint64_t NAME(limit)(uint64_t rounds)
{
    VECTOR x[HF_CARRYLESS_VECTORS];
    VECTOR h = V_PAIR(NAME(reducer_words));

    V_OPAQUE(h);
    EACH_VECTOR(x[i] = V_PAIR(NAME(reducer_words)));
    EACH_VECTOR(V_OPAQUE(x[i]));
    for (uint64_t round = 0; round < rounds; round++) {
        HF_UNROLL
        for (int turn = 0; turn < 4; turn++)
            EACH_VECTOR(x[i] = V_MULTIPLY(x[i], h, 0x01));
    }
    EACH_VECTOR(V_OPAQUE(x[i]));
    return rounds * 4 * HF_CARRYLESS_VECTORS;
}

const struct hf_kernel ENTRY_NAME = {
    .name = "carry-less",
    .isa = ISA,
    .needs = NEEDS,
    .width_bits = WIDTH,
    .load_class = HF_LOAD_CRYPTO,
    HF_STEERED_FIELDS(NAME(carryless), MOVING, HF_CARRYLESS_CONSTANTS),
    .live_state = HF_LIVE_VECTOR | HF_LIVE_MEMORY,
    .burst_steps = BURST,
    .operations_per_step = HF_CARRYLESS_VECTORS * HF_CARRYLESS_MULTIPLIES,
    .limit = "issue of carry-less multiply",
    .limit_loop = NAME(limit),
    .advance = NAME(advance),
};

#undef NAME2
#undef NAME1
#undef NAME
#undef MOVING
#undef EACH_VECTOR
