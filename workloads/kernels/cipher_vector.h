/*
 * The body of a vector entry of cipher. The including file defines, for its width:
 *   WIDTH, ISA, NEEDS, BURST, ENTRY_NAME, FORM_NAME   registry data, and the name of the form for the tests
 *   VECTOR, VECTOR_WORDS                              the type, and how many 64-bit words it holds
 *   V_LOAD(p), V_STORE(p, v), V_XOR(a, b), V_KEY(p)   V_KEY: one round key in every block of a vector
 *   V_ROUND(x, key), V_LAST(x, key)                   a round of the cipher, and the last one
 *   V_OPAQUE(v)                                       keeps v in a register the compiler knows nothing of
 *   KEY_OPAQUE(v)                                     the same, in memory where there are 16 registers
 *
 * Live in registers: HF_CIPHER_VECTORS vectors of blocks, round keys as far as there is room.
 */
#define NAME2(name, width) name##_##width
#define NAME1(name, width) NAME2(name, width)
#define NAME(name)         NAME1(name, WIDTH)
#define MOVING             NAME(HF_CIPHER_MOVING)

_Static_assert(MOVING == HF_CIPHER_VECTORS * VECTOR_WORDS, "words are a property of the width");

#define EACH_VECTOR(statement)                                                                               \
    HF_UNROLL                                                                                                \
    for (int i = 0; i < HF_CIPHER_VECTORS; i++)                                                              \
    statement

/* Did a round key change while it lived in a register or on the stack? The bits that did. */
HF_INLINE uint64_t NAME(changed)(VECTOR key, const uint64_t *words)
{
    _Alignas(64) uint64_t got[VECTOR_WORDS];
    uint64_t difference = 0;

    V_STORE(got, key);
    HF_UNROLL
    for (int i = 0; i < VECTOR_WORDS; i++)
        difference |= got[i] ^ words[i % 2];
    return difference;
}

HF_INLINE void NAME(step)(VECTOR x[HF_CIPHER_VECTORS], const VECTOR *key, int rounds, const uint64_t *steer)
{
    HF_UNROLL
    for (int round = 0; round < rounds - 1; round++)
        EACH_VECTOR(x[i] = V_ROUND(x[i], key[round]));
    EACH_VECTOR(x[i] = V_LAST(x[i], key[rounds - 1]));
    EACH_VECTOR(x[i] = V_XOR(x[i], V_LOAD(&steer[i * VECTOR_WORDS])));
}

HF_INLINE void NAME(advance_rounds)(struct hf_steered_state *state, uint64_t steps, int rounds)
{
    const uint64_t *keys = &state->word[MOVING * (HF_STEERED_STATIONS + 1)];
    uint64_t position = state->position;
    VECTOR x[HF_CIPHER_VECTORS];
    VECTOR key[14];
    uint64_t flaw = 0;
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(position);
    HF_UNROLL
    for (int k = 0; k < rounds; k++) {
        key[k] = V_KEY(&keys[2 * k]);
        KEY_OPAQUE(key[k]);
    }
    EACH_VECTOR(x[i] = V_LOAD(&state->word[i * VECTOR_WORDS]));
    while (up < steps && down != 0) {
        NAME(step)(x, key, rounds, HF_STEERED_AT(state, MOVING, position));
        position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    EACH_VECTOR(V_STORE(&state->word[i * VECTOR_WORDS], x[i]));
    HF_REREAD_MEMORY();
    HF_UNROLL
    for (int k = 0; k < rounds; k++)
        flaw |= NAME(changed)(key[k], &keys[2 * k]);
    state->flaw |= flaw | (up ^ steps) | down | ((state->position + steps) ^ position);
    state->position = position;
}

HF_KERNEL_CODE static void NAME(advance)(void *state, uint64_t steps)
{
    NAME(advance_rounds)(state, steps, HF_CIPHER_ROUNDS);
}

static void NAME(advance_12)(void *state, uint64_t steps)
{
    NAME(advance_rounds)(state, steps, 12);
}

static void NAME(advance_14)(void *state, uint64_t steps)
{
    NAME(advance_rounds)(state, steps, 14);
}

/* Independent rounds and nothing else. */
static uint64_t NAME(limit)(uint64_t rounds)
{
    static const _Alignas(64) uint64_t words[8] = {3, 1, 4, 1, 5, 9, 2, 6};
    VECTOR x[HF_CIPHER_VECTORS];
    VECTOR key = V_LOAD(words);

    V_OPAQUE(key);
    EACH_VECTOR(x[i] = V_LOAD(words));
    EACH_VECTOR(V_OPAQUE(x[i]));
    for (uint64_t round = 0; round < rounds; round++) {
        HF_UNROLL
        for (int turn = 0; turn < 4; turn++)
            EACH_VECTOR(x[i] = V_ROUND(x[i], key));
    }
    EACH_VECTOR(V_OPAQUE(x[i]));
    return rounds * 4 * HF_CIPHER_VECTORS;
}

const struct hf_kernel ENTRY_NAME = {
    .name = "cipher",
    .isa = ISA,
    .needs = NEEDS,
    .width_bits = WIDTH,
    .load_class = HF_LOAD_CRYPTO,
    HF_STEERED_FIELDS(NAME(cipher), MOVING, HF_CIPHER_CONSTANTS),
    .live_state = HF_LIVE_VECTOR | HF_LIVE_MEMORY,
    .burst_steps = BURST,
    .operations_per_step = HF_CIPHER_VECTORS * HF_CIPHER_ROUNDS,
    .bytes_per_step = MOVING * 8,
    .limit = "issue of AES rounds",
    .limit_loop = NAME(limit),
    .advance = NAME(advance),
};
const struct hf_cipher_form FORM_NAME = {&ENTRY_NAME, NAME(advance_12), NAME(advance_14)};

#undef NAME2
#undef NAME1
#undef NAME
#undef MOVING
#undef EACH_VECTOR
