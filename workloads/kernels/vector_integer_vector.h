/*
 * The body of a vector entry of vector-integer. The including file defines, for its width:
 *   WIDTH, ISA, NEEDS, BURST, LIMIT, ENTRY_NAME   registry data
 *   VECTOR, VECTOR_WORDS                   the type, and how many 64-bit words it holds
 *   V_LOAD(p), V_STORE(p, v), V_ADD(a, b), V_XOR(a, b), V_SHUFFLE(a, pattern)
 *   V_OPAQUE(v)                            keeps v in a register the compiler knows nothing of
 *   ROTATIONS                              a struct of the rotations' constants, ROTATIONS_SET() and
 *                                          ROTATIONS_CHANGED(r): bits that changed in a register
 *   V_ROTATE_16(a, r), V_ROTATE_12, V_ROTATE_8, V_ROTATE_7
 *   ROW_OPERATIONS                         vector instructions of a double round of one group
 *   IN_REGISTERS                           1: there are registers enough for all rows (and room to work)
 *
 * Live in registers: all rows, or row 1 of all groups, and the rotations' constants. The other rows then live
 * in the state's memory.
 */
#define NAME2(name, width) name##_##width
#define NAME1(name, width) NAME2(name, width)
#define NAME(name)         NAME1(name, WIDTH)
#define GROUPS             HF_CHACHA_GROUPS
#define MOVING             NAME(HF_CHACHA_MOVING)

/* Instrumented code of that size would take the compiler minutes. */
#if defined(HOLDFAST_SANITIZED) && defined(__clang__)
#define UNROLL
#elif defined(HOLDFAST_SANITIZED)
#define UNROLL _Pragma("GCC unroll 1")
#else
#define UNROLL HF_UNROLL
#endif

_Static_assert(MOVING == GROUPS * 4 * VECTOR_WORDS, "words are a property of the width");

#define EACH_GROUP(statement)                                                                                \
    UNROLL                                                                                                   \
    for (int g = 0; g < GROUPS; g++)                                                                         \
    statement

/* Four chains side by side, then the next four: so rotations of some, which fewer ports take, meet additions
 * of others. */
#define EACH_OF_FOUR(statement)                                                                              \
    for (int g = first; g < first + 4; g++)                                                                  \
    statement

/* The four quarter rounds of a half: one in each column of words. */
#define HALF_ROUND(rotate_first, rotate_second)                                                              \
    UNROLL                                                                                                   \
    for (int first = 0; first < GROUPS; first += 4) {                                                        \
        EACH_OF_FOUR(x[g][0] = V_ADD(x[g][0], x[g][1]));                                                     \
        EACH_OF_FOUR(x[g][3] = V_XOR(x[g][3], x[g][0]));                                                     \
        EACH_OF_FOUR(x[g][3] = rotate_first(x[g][3], *r));                                                   \
        EACH_OF_FOUR(x[g][2] = V_ADD(x[g][2], x[g][3]));                                                     \
        EACH_OF_FOUR(x[g][1] = V_XOR(x[g][1], x[g][2]));                                                     \
        EACH_OF_FOUR({                                                                                       \
            x[g][1] = rotate_second(x[g][1], *r);                                                            \
            V_OPAQUE(x[g][1]);                                                                               \
        })                                                                                                   \
    }

/*
 * Rows 0, 2 and 3 turn by so many words, so that diagonals become columns or back. Row 1, which was written
 * last and is read first, stays: the turns are not in the chain.
 */
#define TURN_ROWS(pattern_0, pattern_2, pattern_3)                                                           \
    EACH_GROUP(x[g][0] = V_SHUFFLE(x[g][0], pattern_0));                                                     \
    EACH_GROUP(x[g][3] = V_SHUFFLE(x[g][3], pattern_3));                                                     \
    EACH_GROUP(x[g][2] = V_SHUFFLE(x[g][2], pattern_2))

HF_INLINE void NAME(double_round)(VECTOR x[GROUPS][4], const ROTATIONS *r)
{
    (void)r; /* where rotations have no constants */
    HALF_ROUND(V_ROTATE_16, V_ROTATE_12)
    HALF_ROUND(V_ROTATE_8, V_ROTATE_7)
    TURN_ROWS(0x93, 0x39, 0x4e);
    HALF_ROUND(V_ROTATE_16, V_ROTATE_12)
    HALF_ROUND(V_ROTATE_8, V_ROTATE_7)
    TURN_ROWS(0x39, 0x93, 0x4e);
}

HF_INLINE void NAME(load)(VECTOR x[GROUPS][4], const uint64_t *words){EACH_GROUP({
    UNROLL
    for (int row = 0; row < 4; row++)
        x[g][row] = V_LOAD(&words[(g * 4 + row) * VECTOR_WORDS]);
})}

HF_INLINE void NAME(store)(const VECTOR x[GROUPS][4], uint64_t *words){EACH_GROUP({
    UNROLL
    for (int row = 0; row < 4; row++)
        V_STORE(&words[(g * 4 + row) * VECTOR_WORDS], x[g][row]);
})}

HF_INLINE void NAME(step)(VECTOR x[GROUPS][4], const uint64_t *steer, const ROTATIONS *r)
{
    UNROLL
    for (int i = 0; i < HF_CHACHA_DOUBLES; i++)
        NAME(double_round)(x, r);
    EACH_GROUP({
        UNROLL
        for (int row = 0; row < 4; row++)
            x[g][row] = V_XOR(x[g][row], V_LOAD(&steer[(g * 4 + row) * VECTOR_WORDS]));
    })
}

/*
 * Without registers for all rows: row 1, which each quarter round reads first and writes last, lives in
 * registers. The others wait for their turn in memory, long enough that their loads and stores are not in the
 * chain, and all groups run side by side. TURN: what is stored instead of the row.
 */
#define ROW(g, row) (&words[((g)*4 + (row)) * VECTOR_WORDS])
#define AS_IT_IS(v) (v)
#define BY_ONE(v)   V_SHUFFLE((v), 0x39)
#define BY_TWO(v)   V_SHUFFLE((v), 0x4e)
#define BY_THREE(v) V_SHUFFLE((v), 0x93)

#define EACH_OF_TWO(statement)                                                                               \
    UNROLL                                                                                                   \
    for (int i = 0; i < 2; i++)                                                                              \
    statement

#define HALF_IN_MEMORY(rotate_first, rotate_second, turn_0, turn_2, turn_3)                                  \
    UNROLL                                                                                                   \
    for (int g = 0; g < GROUPS; g += 2) {                                                                    \
        VECTOR v[2];                                                                                         \
        EACH_OF_TWO({                                                                                        \
            v[i] = V_ADD(row_1[g + i], V_LOAD(ROW(g + i, 0)));                                               \
            V_STORE(ROW(g + i, 0), turn_0(v[i]));                                                            \
        })                                                                                                   \
        EACH_OF_TWO({                                                                                        \
            v[i] = V_XOR(v[i], V_LOAD(ROW(g + i, 3)));                                                       \
            v[i] = rotate_first(v[i], *r);                                                                   \
            V_STORE(ROW(g + i, 3), turn_3(v[i]));                                                            \
        })                                                                                                   \
        EACH_OF_TWO({                                                                                        \
            v[i] = V_ADD(v[i], V_LOAD(ROW(g + i, 2)));                                                       \
            V_STORE(ROW(g + i, 2), turn_2(v[i]));                                                            \
        })                                                                                                   \
        EACH_OF_TWO({                                                                                        \
            row_1[g + i] = V_XOR(row_1[g + i], v[i]);                                                        \
            row_1[g + i] = rotate_second(row_1[g + i], *r);                                                  \
            V_OPAQUE(row_1[g + i]);                                                                          \
        })                                                                                                   \
    }                                                                                                        \
    HF_REREAD_MEMORY()

HF_INLINE void NAME(step_in_memory)(VECTOR row_1[GROUPS], uint64_t *words, const uint64_t *steer,
                                    const ROTATIONS *r)
{
    (void)r; /* where rotations have no constants */
    UNROLL
    for (int doubles = 0; doubles < HF_CHACHA_DOUBLES; doubles++) {
        HALF_IN_MEMORY(V_ROTATE_16, V_ROTATE_12, AS_IT_IS, AS_IT_IS, AS_IT_IS);
        HALF_IN_MEMORY(V_ROTATE_8, V_ROTATE_7, BY_THREE, BY_ONE, BY_TWO);
        HALF_IN_MEMORY(V_ROTATE_16, V_ROTATE_12, AS_IT_IS, AS_IT_IS, AS_IT_IS);
        HALF_IN_MEMORY(V_ROTATE_8, V_ROTATE_7, BY_ONE, BY_THREE, BY_TWO);
    }
    UNROLL
    for (int g = 0; g < GROUPS; g++) {
        row_1[g] = V_XOR(row_1[g], V_LOAD(&steer[(g * 4 + 1) * VECTOR_WORDS]));
        V_STORE(ROW(g, 0), V_XOR(V_LOAD(ROW(g, 0)), V_LOAD(&steer[(g * 4 + 0) * VECTOR_WORDS])));
        V_STORE(ROW(g, 2), V_XOR(V_LOAD(ROW(g, 2)), V_LOAD(&steer[(g * 4 + 2) * VECTOR_WORDS])));
        V_STORE(ROW(g, 3), V_XOR(V_LOAD(ROW(g, 3)), V_LOAD(&steer[(g * 4 + 3) * VECTOR_WORDS])));
    }
    HF_REREAD_MEMORY();
}

HF_INLINE void NAME(steps_in_registers)(struct hf_steered_state *state, uint64_t steps, const ROTATIONS *r)
{
    uint64_t position = state->position;
    VECTOR x[GROUPS][4];
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(position);
    NAME(load)(x, state->word);
    while (up < steps && down != 0) {
        NAME(step)(x, HF_STEERED_AT(state, MOVING, position), r);
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

HF_INLINE void NAME(steps_in_memory)(struct hf_steered_state *state, uint64_t steps, const ROTATIONS *r)
{
    uint64_t position = state->position;
    uint64_t *words = state->word;
    VECTOR row_1[GROUPS];
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(position);
    UNROLL
    for (int g = 0; g < GROUPS; g++)
        row_1[g] = V_LOAD(ROW(g, 1));
    while (up < steps && down != 0) {
        HF_OPAQUE(words); /* the compiler would keep the address of every row */
        NAME(step_in_memory)(row_1, words, HF_STEERED_AT(state, MOVING, position), r);
        position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    UNROLL
    for (int g = 0; g < GROUPS; g++)
        V_STORE(ROW(g, 1), row_1[g]);
    HF_REREAD_MEMORY();
    state->flaw |= (up ^ steps) | down | ((state->position + steps) ^ position);
    state->flaw |= (uint64_t)(words != state->word);
    state->position = position;
}

HF_KERNEL_CODE static void NAME(advance)(void *opaque_state, uint64_t steps)
{
    struct hf_steered_state *state = opaque_state;
    ROTATIONS rotations = ROTATIONS_SET();

    if (IN_REGISTERS)
        NAME(steps_in_registers)(state, steps, &rotations);
    else
        NAME(steps_in_memory)(state, steps, &rotations);
    state->flaw |= ROTATIONS_CHANGED(rotations);
}

/*
 * The same instructions in the same proportions, none waiting for another: what the ports allow. Where rows
 * live in memory, so are the same loads and stores.
 */
#define FREE(result_, expression)                                                                            \
    do {                                                                                                     \
        V_OPAQUE(a);                                                                                         \
        (result_) = (expression);                                                                            \
        V_OPAQUE(result_);                                                                                   \
    } while (0)

#define FREE_ROW(expression)                                                                                 \
    do {                                                                                                     \
        VECTOR v_;                                                                                           \
        FREE(v_, expression);                                                                                \
        if (!IN_REGISTERS)                                                                                   \
            V_STORE(&words[i % 4 * 4 * VECTOR_WORDS], v_);                                                   \
    } while (0)

#define FREE_OTHER (IN_REGISTERS ? b : V_LOAD(&words[(i % 4 * 4 + 2) * VECTOR_WORDS]))

#define FREE_HALF(rotate_first, rotate_second)                                                               \
    FREE_ROW(V_ADD(a, FREE_OTHER));                                                                          \
    FREE(v, V_XOR(a, FREE_OTHER));                                                                           \
    FREE_ROW(rotate_first(a, rotations));                                                                    \
    FREE_ROW(V_ADD(a, FREE_OTHER));                                                                          \
    FREE(v, V_XOR(a, b));                                                                                    \
    FREE(v, rotate_second(a, rotations))

static uint64_t NAME(limit)(uint64_t rounds)
{
    _Alignas(64) uint64_t memory[16 * VECTOR_WORDS] = {3, 1, 4, 1, 5, 9, 2, 6};
    uint64_t *words = memory;
    ROTATIONS rotations = ROTATIONS_SET();
    VECTOR a = V_LOAD(memory);
    VECTOR b = a;
    VECTOR v = a;

    (void)rotations;
    HF_OPAQUE(words); /* loads and stores of an array that nobody else knows would go */
    V_OPAQUE(b);
    for (uint64_t round = 0; round < rounds; round++) {
        UNROLL
        for (int i = 0; i < 4; i++) {
            FREE_HALF(V_ROTATE_16, V_ROTATE_12);
            FREE_HALF(V_ROTATE_8, V_ROTATE_7);
            FREE(v, V_SHUFFLE(a, 0x39));
            FREE(v, V_SHUFFLE(a, 0x4e));
            FREE(v, V_SHUFFLE(a, 0x93));
            HF_REREAD_MEMORY();
        }
    }
    return rounds * 2 * ROW_OPERATIONS;
}

const struct hf_kernel ENTRY_NAME = {
    .name = "vector-integer",
    .isa = ISA,
    .needs = NEEDS,
    .width_bits = WIDTH,
    .load_class = HF_LOAD_VECTOR_INT,
    HF_STEERED_FIELDS(NAME(vector_integer), MOVING, 0),
    .live_state = HF_LIVE_VECTOR | HF_LIVE_MEMORY,
    .burst_steps = BURST,
    .operations_per_step = GROUPS * (HF_CHACHA_DOUBLES * ROW_OPERATIONS + 4),
    .limit = LIMIT,
    .limit_loop = NAME(limit),
    .advance = NAME(advance),
};

#undef NAME2
#undef NAME1
#undef NAME
#undef GROUPS
#undef IN_REGISTERS
#undef ROW
#undef AS_IT_IS
#undef BY_ONE
#undef BY_TWO
#undef BY_THREE
#undef EACH_OF_TWO
#undef HALF_IN_MEMORY
#undef MOVING
#undef UNROLL
#undef EACH_GROUP
#undef EACH_OF_FOUR
#undef HALF_ROUND
#undef TURN_ROWS
#undef FREE
#undef FREE_ROW
#undef FREE_OTHER
#undef FREE_HALF
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
#undef V_ADD
#undef V_XOR
#undef V_SHUFFLE
#undef V_OPAQUE
#undef ROTATIONS
#undef ROTATIONS_SET
#undef ROTATIONS_CHANGED
#undef V_ROTATE_16
#undef V_ROTATE_12
#undef V_ROTATE_8
#undef V_ROTATE_7
#undef ROW_OPERATIONS
