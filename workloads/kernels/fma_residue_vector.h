/*
 * The body of a vector entry of fma-residue. The including file defines, for its width:
 *   WIDTH, CLASS, ISA, NEEDS, BURST     registry data
 *   VECTOR, VECTOR_LANES, VECTORS       the type, its lanes, and how many of them are in flight
 *   V_SET(d), V_LOAD(p), V_STORE(p, v), V_MULTIPLY(a, b), V_ADD(a, b), V_SUBTRACT(a, b)
 *   V_FMA(a, b, c) = a b + c, V_FMS(a, b, c) = a b - c, V_FNMA(a, b, c) = c - a b
 *   V_OPAQUE(v)                         keeps v in a register the compiler knows nothing of
 *   LIMIT_VECTORS                       accumulators of the bare loop
 *
 * Why it is exact. |x| <= 0.574 p, |c| <= p / 2. q = fma(x, c/p, M) - M with M = 1.5 x 2^52 is x c / p
 * rounded to a whole number, wrong by at most 0.5 + 0.04 (the rounding of c/p, times |x|); so |x c - q p| <=
 * 0.54 p, which fits. h is x c rounded, h - q p is a whole number below 2^51 and so exact in one rounding, x
 * c - h is exact (the error of a product is a double), and their sum is the residue, exact again.
 *
 * Live in registers: VECTORS vectors of x, and c, c/p, p, M. In the last row of the loop two vectors are
 * temporary.
 */
#define NAME2(name, width) name##_##width
#define NAME1(name, width) NAME2(name, width)
#define NAME(name)         NAME1(name, WIDTH)
#define LANES              (VECTOR_LANES * VECTORS)

_Static_assert(LANES == NAME(HF_FMA_LANES), "lanes are a property of the width");

/* Did a constant change while it lived in a register? The bits that did. */
HF_INLINE uint64_t NAME(changed)(VECTOR vector, double constant)
{
    double lane[VECTOR_LANES] __attribute__((aligned(64)));
    uint64_t difference = 0;

    V_STORE(lane, vector);
    for (int i = 0; i < VECTOR_LANES; i++)
        difference |= hf_bits_of_double(lane[i]) ^ hf_bits_of_double(constant);
    return difference;
}

HF_KERNEL_CODE static void NAME(advance)(void *opaque_state, uint64_t steps)
{
    struct hf_fma_state *state = opaque_state;
    const double prime = (double)HF_PRIME_50;
    const double magic = 0x1.8p52;
    VECTOR x[VECTORS];
    VECTOR c = V_SET(state->multiplier);
    VECTOR c_over_p = V_SET(state->multiplier / prime);
    VECTOR p = V_SET(prime);
    VECTOR m = V_SET(magic);
    uint64_t up = 0;
    uint64_t down = steps;

    V_OPAQUE(c);
    V_OPAQUE(c_over_p);
    V_OPAQUE(p);
    V_OPAQUE(m);
    HF_UNROLL
    for (int i = 0; i < VECTORS; i++)
        x[i] = V_LOAD(&state->lane[i * VECTOR_LANES]);
    while (up < steps && down != 0) {
        HF_UNROLL
        for (int i = 0; i < VECTORS; i++) {
            VECTOR h = V_MULTIPLY(x[i], c);
            VECTOR q = V_SUBTRACT(V_FMA(x[i], c_over_p, m), m);
            VECTOR low = V_FMS(x[i], c, h);

            x[i] = V_ADD(V_FNMA(q, p, h), low);
        }
        up++;
        down--;
        HF_OPAQUE(down);
    }
    HF_UNROLL
    for (int i = 0; i < VECTORS; i++)
        V_STORE(&state->lane[i * VECTOR_LANES], x[i]);
    HF_REREAD_MEMORY();
    state->flaw |= NAME(changed)(c, state->multiplier) | NAME(changed)(c_over_p, state->multiplier / prime) |
                   NAME(changed)(p, prime) | NAME(changed)(m, magic) | (up ^ steps) | down;
}

/* Independent multiply-adds and nothing else: the issue rate that advance() is measured against. */
static uint64_t NAME(limit)(uint64_t rounds)
{
    VECTOR x[LIMIT_VECTORS];
    VECTOR half = V_SET(0.5);
    VECTOR one = V_SET(1.0);

    V_OPAQUE(half);
    V_OPAQUE(one);
    for (int i = 0; i < LIMIT_VECTORS; i++)
        x[i] = V_SET(i);
    for (uint64_t round = 0; round < rounds; round++) {
        HF_UNROLL
        for (int i = 0; i < LIMIT_VECTORS; i++)
            x[i] = V_FMA(x[i], half, one);
    }
    for (int i = 0; i < LIMIT_VECTORS; i++)
        V_OPAQUE(x[i]);
    return rounds * LIMIT_VECTORS;
}

static void NAME(start)(void *state, enum hf_operands operands, uint64_t seed)
{
    hf_fma_vector_start(state, operands, seed, LANES);
}

static uint64_t NAME(digest)(const void *state)
{
    return hf_fma_vector_digest(state, LANES);
}

static void NAME(locate)(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,
                         struct hf_lane_report *ret_report)
{
    hf_fma_vector_locate(state, operands, seed, steps, LANES, ret_report);
}

static void NAME(plant)(void *state, uint64_t bit)
{
    hf_fma_vector_plant(state, bit, LANES);
}

extern const struct hf_kernel ENTRY_NAME;
const struct hf_kernel ENTRY_NAME = {
    .name = "fma-residue",
    .isa = ISA,
    .needs = NEEDS,
    .width_bits = WIDTH,
    .load_class = CLASS,
    .state_bytes = HF_FMA_STATE_BYTES(LANES),
    .live_state = HF_LIVE_VECTOR | HF_LIVE_MEMORY,
    .live_bits = 64 * (LANES + 2),
    .burst_steps = BURST,
    .operations_per_step = HF_FMA_OPERATIONS * VECTORS,
    .flops_per_step = HF_FMA_FLOPS * LANES,
    .limit = "multiply-add issue",
    .limit_loop = NAME(limit),
    .start = NAME(start),
    .advance = NAME(advance),
    .digest = NAME(digest),
    .expect = NAME(hf_fma_expect),
    .locate = NAME(locate),
    .plant = NAME(plant),
};

#undef NAME2
#undef NAME1
#undef NAME
#undef LANES
#undef WIDTH
#undef CLASS
#undef ISA
#undef NEEDS
#undef BURST
#undef ENTRY_NAME
#undef VECTOR
#undef VECTOR_LANES
#undef VECTORS
#undef V_SET
#undef V_LOAD
#undef V_STORE
#undef V_MULTIPLY
#undef V_ADD
#undef V_SUBTRACT
#undef V_FMA
#undef V_FMS
#undef V_FNMA
#undef V_OPAQUE
#undef LIMIT_VECTORS
