/*
 * The body of a vector entry of matrix or matrix-single. The including file defines, for its width:
 *   WIDTH, CLASS, ISA, NEEDS, BURST, SHAPE, ENTRY_NAME   registry data
 *   VECTOR, VECTOR_LANES, VECTORS, ROWS                  the type, its lanes; a turn makes ROWS x VECTORS of
 * them V_SET(d), V_STORE(p, v), V_OF_WHOLE(p), V_TO_WHOLE(p, v) (32-bit whole numbers in memory),
 * V_SUBTRACT(a, b), V_FMA(a, b, c) = a b + c, V_FNMA(a, b, c) = c - a b, V_MAX(a, b), V_MIN(a, b),
 * V_OPAQUE(v) LIMIT_VECTORS                                        accumulators of the bare loop SINGLE for
 * single precision only
 *
 * Elements are balanced: |x| <= (p - 1) / 2. 512 products of two stay below 2^47 (p = 2^20 - 3; mantissa 53
 * bits), or below 2^21 (p = 127; 24 bits): every sum is exact. The quotient by p is below 2^27, or 2^14, and
 * rounded once when 1 / p is and once when it is multiplied, so it is wrong by less than 2^-25, or 2^-9,
 * while half a whole number is at least 1 / (2 p) = 2^-21, or 2^-8, away: the balanced residue has no choice.
 */
#ifdef SINGLE
#define ELEMENT      float
#define WORD         uint32_t
#define ELEMENT_KIND HF_MATRIX_SINGLE
#define PRIME        127
#define MAGIC        0x1.8p23f
#define KERNEL_NAME  "matrix-single"
#else
#define ELEMENT      double
#define WORD         uint64_t
#define ELEMENT_KIND HF_MATRIX_DOUBLE
#define PRIME        1048573
#define MAGIC        0x1.8p52
#define KERNEL_NAME  "matrix"
#endif
#define NAME2(name, width) name##_##width
#define NAME1(name, width) NAME2(name, width)
#define NAME(name)         NAME1(name, WIDTH)
#define FUNCTIONS(shape)   HF_MATRIX_FUNCTIONS(shape, HF_MATRIX_VECTOR)
#define OF2(shape, name)   shape##_##name
#define OF1(shape, name)   OF2(shape, name)
#define OF(name)           OF1(SHAPE, name)
#define COLUMNS            (VECTOR_LANES * VECTORS)

FUNCTIONS(SHAPE)

struct NAME(constants) {
    VECTOR p, inverse, magic;
};

/* Extremes of what the reductions left: the flaw of a wrong quotient. */
struct NAME(extremes) {
    VECTOR high, low;
};

HF_INLINE void NAME(turn)(struct hf_matrix_state *state, const ELEMENT *store, int n,
                          const struct NAME(constants) * k, struct NAME(extremes) * extremes)
{
    uint64_t blocks = (uint64_t)(n / ROWS);
    uint64_t block = state->turns % blocks;
    uint64_t panel = state->turns / blocks % 2;
    int32_t *panels = (void *)state->panels;
    const int32_t *x = panels + panel * HF_MATRIX_SIZE_MAX * COLUMNS;
    int32_t *y = panels + (1 - panel) * HF_MATRIX_SIZE_MAX * COLUMNS + block * ROWS * COLUMNS;
    const ELEMENT *a = store + block * (uint64_t)n * ROWS;
    VECTOR sum[ROWS][VECTORS];

    HF_UNROLL
    for (int row = 0; row < ROWS; row++) {
        HF_UNROLL
        for (int v = 0; v < VECTORS; v++)
            sum[row][v] = V_SET(0);
    }
    for (int left = n; left > 0; left--) {
        VECTOR in[VECTORS];

        HF_UNROLL
        for (int v = 0; v < VECTORS; v++)
            in[v] = V_OF_WHOLE(x + v * VECTOR_LANES);
        HF_UNROLL
        for (int row = 0; row < ROWS; row++) {
            VECTOR factor = V_SET(a[row]);

            HF_UNROLL
            for (int v = 0; v < VECTORS; v++)
                sum[row][v] = V_FMA(factor, in[v], sum[row][v]);
        }
        x += COLUMNS;
        a += ROWS;
    }
    HF_UNROLL
    for (int row = 0; row < ROWS; row++) {
        HF_UNROLL
        for (int v = 0; v < VECTORS; v++) {
            VECTOR q = V_SUBTRACT(V_FMA(sum[row][v], k->inverse, k->magic), k->magic);
            VECTOR rest = V_FNMA(q, k->p, sum[row][v]);

            extremes->high = V_MAX(extremes->high, rest);
            extremes->low = V_MIN(extremes->low, rest);
            V_TO_WHOLE(y + row * COLUMNS + v * VECTOR_LANES, rest);
        }
    }
    state->turns++;
}

/* Lanes out of range, or constants that changed. */
HF_INLINE uint64_t NAME(flaw_of)(const struct NAME(constants) * k, const struct NAME(extremes) * extremes)
{
    ELEMENT lane[5][VECTOR_LANES] __attribute__((aligned(64)));
    uint64_t flaw = 0;

    V_STORE(lane[0], extremes->high);
    V_STORE(lane[1], extremes->low);
    V_STORE(lane[2], k->p);
    V_STORE(lane[3], k->inverse);
    V_STORE(lane[4], k->magic);
    for (int i = 0; i < VECTOR_LANES; i++)
        flaw |= (uint64_t)(lane[0][i] > PRIME / 2) | (uint64_t)(lane[1][i] < -(PRIME / 2)) |
                (uint64_t)(lane[2][i] != (ELEMENT)PRIME) |
                (uint64_t)(lane[3][i] != (ELEMENT)1 / (ELEMENT)PRIME) | (uint64_t)(lane[4][i] != MAGIC);
    return flaw;
}

HF_KERNEL_CODE static void NAME(advance)(void *opaque_state, uint64_t steps)
{
    struct hf_matrix_state *state = opaque_state;
    const ELEMENT *store = hf_matrix_store(ELEMENT_KIND, HF_MATRIX_VECTOR, ROWS, state->size);
    struct NAME(constants) k = {V_SET((ELEMENT)PRIME), V_SET((ELEMENT)1 / (ELEMENT)PRIME), V_SET(MAGIC)};
    struct NAME(extremes) extremes = {V_SET(0), V_SET(0)};
    const int n = hf_matrix_size(state->size);
    uint64_t up = 0;
    uint64_t down = steps;

    V_OPAQUE(k.p);
    V_OPAQUE(k.inverse);
    V_OPAQUE(k.magic);
    while (store != NULL && up < steps && down != 0) {
        for (int turn = HF_MATRIX_SIZE_MAX / n; turn > 0; turn--)
            NAME(turn)(state, store, n, &k, &extremes);
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= NAME(flaw_of)(&k, &extremes) | (up ^ steps) | down; /* without A: no step was taken */
}

/* Independent multiply-adds and nothing else. */
static uint64_t NAME(limit)(uint64_t rounds)
{
    VECTOR x[LIMIT_VECTORS];
    VECTOR half = V_SET((ELEMENT)0.5);
    VECTOR one = V_SET((ELEMENT)1);

    V_OPAQUE(half);
    V_OPAQUE(one);
    for (int i = 0; i < LIMIT_VECTORS; i++)
        x[i] = V_SET((ELEMENT)i);
    for (uint64_t round = 0; round < rounds; round++) {
        HF_UNROLL
        for (int i = 0; i < LIMIT_VECTORS; i++)
            x[i] = V_FMA(x[i], half, one);
    }
    for (int i = 0; i < LIMIT_VECTORS; i++)
        V_OPAQUE(x[i]);
    return rounds * LIMIT_VECTORS;
}

extern const struct hf_kernel ENTRY_NAME;
const struct hf_kernel ENTRY_NAME = {
    .name = KERNEL_NAME,
    .isa = ISA,
    .needs = NEEDS,
    .width_bits = WIDTH,
    .load_class = CLASS,
    .state_bytes = HF_MATRIX_STATE_BYTES(COLUMNS, 4),
    .live_state = HF_LIVE_VECTOR | HF_LIVE_MEMORY,
    .live_bits = HF_MATRIX_LIVE_BITS,
    .burst_steps = BURST,
    .operations_per_step = (double)HF_MATRIX_SIZE_MAX * ROWS * VECTORS,
    .flops_per_step = 2.0 * HF_MATRIX_SIZE_MAX * ROWS * COLUMNS,
    .limit = "multiply-add issue",
    .limit_loop = NAME(limit),
    .start = OF(start),
    .advance = NAME(advance),
    .digest = OF(digest),
    .expect = OF(expect),
    .locate = OF(locate),
    .plant = OF(plant),
};
