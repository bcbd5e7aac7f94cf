/*
 * The body of a vector entry of vector-integer. The including file defines, for its width:
 *   WIDTH, ISA, NEEDS, BURST, ENTRY_NAME   registry data
 *   VECTOR, VECTOR_WORDS                   the type, and how many 64-bit words it holds
 *   V_LOAD(p), V_STORE(p, v), V_ADD(a, b), V_XOR(a, b), V_SHUFFLE(a, pattern)
 *   V_OPAQUE(v)                            keeps v in a register the compiler knows nothing of
 *   ROTATIONS                              a struct of the rotations' constants, ROTATIONS_SET() and
 *                                          ROTATIONS_CHANGED(r): bits that changed in a register
 *   V_ROTATE_16(a, r), V_ROTATE_12, V_ROTATE_8, V_ROTATE_7
 *   ROW_OPERATIONS                         vector instructions of a double round of one group
 *   TOGETHER                               groups that are in registers at a time
 *
 * Live in registers: TOGETHER times four rows and the rotations' constants. Where TOGETHER is less than all
 * groups, the rows live in memory between steps.
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
    for (int g = 0; g < groups; g++)                                                                         \
    statement

/* Four chains side by side, then the next four: so rotations of some, which fewer ports take, meet additions
 * of others. */
#define EACH_OF_FOUR(statement)                                                                              \
    for (int g = first; g < first + 4 && g < groups; g++)                                                    \
    statement

/* The four quarter rounds of a half: one in each column of words. */
#define HALF_ROUND(rotate_first, rotate_second)                                                              \
    UNROLL                                                                                                   \
    for (int first = 0; first < groups; first += 4) {                                                        \
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

HF_INLINE void NAME(double_round)(VECTOR x[TOGETHER][4], int groups, const ROTATIONS *r)
{
    (void)r; /* where rotations have no constants */
    HALF_ROUND(V_ROTATE_16, V_ROTATE_12)
    HALF_ROUND(V_ROTATE_8, V_ROTATE_7)
    TURN_ROWS(0x93, 0x39, 0x4e);
    HALF_ROUND(V_ROTATE_16, V_ROTATE_12)
    HALF_ROUND(V_ROTATE_8, V_ROTATE_7)
    TURN_ROWS(0x39, 0x93, 0x4e);
}

HF_INLINE void NAME(load)(VECTOR x[TOGETHER][4], const uint64_t *words, int groups){EACH_GROUP({
    UNROLL
    for (int row = 0; row < 4; row++)
        x[g][row] = V_LOAD(&words[(g * 4 + row) * VECTOR_WORDS]);
})}

HF_INLINE void NAME(store)(const VECTOR x[TOGETHER][4], uint64_t *words, int groups){EACH_GROUP({
    UNROLL
    for (int row = 0; row < 4; row++)
        V_STORE(&words[(g * 4 + row) * VECTOR_WORDS], x[g][row]);
})}

HF_INLINE void NAME(step)(VECTOR x[TOGETHER][4], const uint64_t *steer, int groups, const ROTATIONS *r)
{
    UNROLL
    for (int i = 0; i < HF_CHACHA_DOUBLES; i++)
        NAME(double_round)(x, groups, r);
    EACH_GROUP({
        UNROLL
        for (int row = 0; row < 4; row++)
            x[g][row] = V_XOR(x[g][row], V_LOAD(&steer[(g * 4 + row) * VECTOR_WORDS]));
    })
}

/* A step of all groups in memory, TOGETHER at a time. */
HF_INLINE void NAME(step_in_memory)(uint64_t *words, const uint64_t *steer, const ROTATIONS *r)
{
    UNROLL
    for (int first = 0; first < GROUPS; first += TOGETHER) {
        int groups = first + TOGETHER <= GROUPS ? TOGETHER : GROUPS - first;
        VECTOR x[TOGETHER][4];

        NAME(load)(x, words + first * 4 * VECTOR_WORDS, groups);
        NAME(step)(x, steer + first * 4 * VECTOR_WORDS, groups, r);
        NAME(store)(x, words + first * 4 * VECTOR_WORDS, groups);
    }
}

/* Where all groups fit the registers they stay there for the whole burst. */
#define IN_REGISTERS (TOGETHER >= GROUPS)

HF_KERNEL_CODE static void NAME(advance)(void *opaque_state, uint64_t steps)
{
    struct hf_steered_state *state = opaque_state;
    ROTATIONS rotations = ROTATIONS_SET();
    uint64_t position = state->position;
    VECTOR x[TOGETHER][4];
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(position);
    if (IN_REGISTERS)
        NAME(load)(x, state->word, GROUPS);
    while (up < steps && down != 0) {
        const uint64_t *steer = HF_STEERED_AT(state, MOVING, position);

        if (IN_REGISTERS)
            NAME(step)(x, steer, GROUPS, &rotations);
        else
            NAME(step_in_memory)(state->word, steer, &rotations);
        position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    if (IN_REGISTERS)
        NAME(store)(x, state->word, GROUPS);
    HF_REREAD_MEMORY();
    state->flaw |=
        ROTATIONS_CHANGED(rotations) | (up ^ steps) | down | ((state->position + steps) ^ position);
    state->position = position;
}

/* The same instructions in the same proportions, none waiting for another: what the ports allow. */
#define FREE(result_, expression)                                                                            \
    do {                                                                                                     \
        VECTOR result_;                                                                                      \
        V_OPAQUE(a);                                                                                         \
        result_ = expression;                                                                                \
        V_OPAQUE(result_);                                                                                   \
    } while (0)

#define FREE_HALF(rotate_first, rotate_second)                                                               \
    FREE(v, V_ADD(a, b));                                                                                    \
    FREE(v, V_XOR(a, b));                                                                                    \
    FREE(v, rotate_first(a, rotations));                                                                     \
    FREE(v, V_ADD(a, b));                                                                                    \
    FREE(v, V_XOR(a, b));                                                                                    \
    FREE(v, rotate_second(a, rotations))

static const _Alignas(64) uint64_t NAME(limit_words)[8] = {3, 1, 4, 1, 5, 9, 2, 6};

static uint64_t NAME(limit)(uint64_t rounds)
{
    ROTATIONS rotations = ROTATIONS_SET();
    VECTOR a = V_LOAD(NAME(limit_words));
    VECTOR b = a;

    (void)rotations;
    V_OPAQUE(b);
    for (uint64_t round = 0; round < rounds; round++) {
        UNROLL
        for (int i = 0; i < 4; i++) {
            FREE_HALF(V_ROTATE_16, V_ROTATE_12);
            FREE_HALF(V_ROTATE_8, V_ROTATE_7);
            FREE(v, V_SHUFFLE(a, 0x39));
            FREE(v, V_SHUFFLE(a, 0x4e));
            FREE(v, V_SHUFFLE(a, 0x93));
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
    .limit = "issue of vector add, exclusive or, rotate and shuffle",
    .limit_loop = NAME(limit),
    .advance = NAME(advance),
};

#undef NAME2
#undef NAME1
#undef NAME
#undef GROUPS
#undef IN_REGISTERS
#undef TOGETHER
#undef MOVING
#undef UNROLL
#undef EACH_GROUP
#undef EACH_OF_FOUR
#undef HALF_ROUND
#undef TURN_ROWS
#undef FREE
#undef FREE_HALF
#undef WIDTH
#undef ISA
#undef NEEDS
#undef BURST
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
