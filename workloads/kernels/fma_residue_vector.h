/*
 * The body of a vector entry of fma-residue or fma-single. The including file defines, for its width:
 *   WIDTH, CLASS, ISA, NEEDS, BURST     registry data
 *   VECTOR, VECTOR_LANES, VECTORS       the type, its lanes, and how many of them are in flight
 *   V_SET(d), V_LOAD(p), V_STORE(p, v), V_MULTIPLY(a, b), V_ADD(a, b), V_SUBTRACT(a, b)
 *   V_FMA(a, b, c) = a b + c, V_FMS(a, b, c) = a b - c, V_FNMA(a, b, c) = c - a b
 *   V_OPAQUE(v)                         keeps v in a register the compiler knows nothing of
 *   LIMIT_VECTORS                       accumulators of the bare loop
 *   SINGLE                              for single precision only
 *   V_REGISTERS                         how many there are, if not 16 for ten vectors and 32 for sixteen
 *
 * Why it is exact. |x| <= 0.574 p, |c| <= p / 2. q = fma(x, c/p, M) - M with M = 1.5 x 2^52 is x c / p
 * rounded to a whole number, wrong by at most 0.5 + 0.04 (the rounding of c/p, times |x|); so |x c - q p| <=
 * 0.54 p, which fits. h is x c rounded, h - q p is a whole number below 2^51 and so exact in one rounding, x
 * c - h is exact (the error of a product is a double), and their sum is the residue, exact again. In single
 * precision the same with p below 2^21 and M = 1.5 x 2^23.
 *
 * Live in registers: VECTORS vectors of x, and c, c/p, p, M. In the last row of the loop two vectors are
 * temporary. Folded steps have one vector more in flight, the chain's last A.
 */
#ifdef SINGLE
#define ELEMENT         float
#define WORD            uint32_t
#define PLAIN_PRIME     HF_PRIME_21
#define FOLDED_PRIME    HF_RESIDUE_FOLDED_PRIME_21
#define MAGIC           0x1.8p23f
#define KERNEL_NAME     "fma-single"
#define FAMILY(name)    NAME(hf_fma_single_##name)
#define LANES_OF_FAMILY NAME(HF_FMA_SINGLE_LANES)
#else
#define ELEMENT         double
#define WORD            uint64_t
#define PLAIN_PRIME     HF_PRIME_50
#define FOLDED_PRIME    HF_RESIDUE_FOLDED_PRIME_50
#define MAGIC           0x1.8p52
#define KERNEL_NAME     "fma-residue"
#define FAMILY(name)    NAME(hf_fma_residue_##name)
#define LANES_OF_FAMILY NAME(HF_FMA_LANES)
#endif
#define NAME2(name, width) name##_##width
#define NAME1(name, width) NAME2(name, width)
#define NAME(name)         NAME1(name, WIDTH)
#define LANES              (VECTOR_LANES * VECTORS)
#define CHAIN              (VECTORS % 5 == 0 ? 5 : 4)
#ifndef V_REGISTERS
#define V_REGISTERS (VECTORS > 10 ? 32 : 16)
#endif

_Static_assert(LANES == LANES_OF_FAMILY && VECTORS % CHAIN == 0, "lanes are a property of the width");

typedef WORD NAME(words) __attribute__((vector_size(sizeof(VECTOR))));

/* Did a constant change while it lived in a register? The bits that did. */
HF_INLINE uint64_t NAME(changed)(VECTOR vector, ELEMENT constant)
{
    union {
        ELEMENT element[VECTOR_LANES];
        WORD word[VECTOR_LANES];
    } is __attribute__((aligned(64))), was;
    uint64_t difference = 0;

    V_STORE(is.element, vector);
    was.element[0] = constant;
    for (int i = 0; i < VECTOR_LANES; i++)
        difference |= is.word[i] ^ was.word[0];
    return difference;
}

static const ELEMENT NAME(magic)[VECTOR_LANES]
    __attribute__((aligned(64))) = {[0 ... VECTOR_LANES - 1] = MAGIC};
static const ELEMENT NAME(folded_prime)[VECTOR_LANES]
    __attribute__((aligned(64))) = {[0 ... VECTOR_LANES - 1] = (ELEMENT)FOLDED_PRIME};

/* A constant of the folded steps: in a register where there are enough, else read from memory each time it is
 * used (the loads run beside the arithmetic, spills would not). */
#if V_REGISTERS >= 32
#define CONSTANT(in_register, memory) (in_register)
#else
#define CONSTANT(in_register, memory)                                                                        \
    (__extension__({                                                                                         \
        const ELEMENT *place = (memory);                                                                     \
        HF_OPAQUE(place);                                                                                    \
        V_LOAD(place);                                                                                       \
    }))
#endif

/* Rounding along chains; the last A of each chain goes into the sum. */
HF_KERNEL_CODE static void NAME(advance_folded)(struct hf_residue_state *state, uint64_t steps)
{
    ELEMENT *lane = (void *)state->lane;
    NAME(words) *sum = (void *)state->sum;
    NAME(words) *sum_of_sums = (void *)state->sum_of_sums;
    const ELEMENT prime = (ELEMENT)FOLDED_PRIME;
    const ELEMENT multiplier = (ELEMENT)state->multiplier;
    VECTOR x[VECTORS];
    VECTOR c = V_SET(multiplier);
    VECTOR c_over_p = V_SET(multiplier / prime);
    VECTOR p = V_LOAD(NAME(folded_prime));
    VECTOR m = V_LOAD(NAME(magic));
    uint64_t up = 0;
    uint64_t down = steps;

    V_OPAQUE(c);
    V_OPAQUE(c_over_p);
    V_OPAQUE(p);
    V_OPAQUE(m);
    HF_UNROLL
    for (int i = 0; i < VECTORS; i++)
        x[i] = V_LOAD(&lane[i * VECTOR_LANES]);
    while (up < steps && down != 0) {
        VECTOR a = m;

        HF_UNROLL
        for (int i = 0; i < VECTORS; i++) {
            VECTOR h = V_MULTIPLY(x[i], c);
            VECTOR before = i % CHAIN == 0 ? CONSTANT(m, NAME(magic)) : a;
            VECTOR q, low;

            a = V_FMA(x[i], c_over_p, before);
            q = V_SUBTRACT(a, before);
            low = V_FMS(x[i], c, h);
            x[i] = V_ADD(V_FNMA(q, CONSTANT(p, NAME(folded_prime)), h), low);
            if (i % CHAIN == CHAIN - 1)
                *sum += (NAME(words))a;
        }
        *sum_of_sums += *sum;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    HF_UNROLL
    for (int i = 0; i < VECTORS; i++)
        V_STORE(&lane[i * VECTOR_LANES], x[i]);
    HF_REREAD_MEMORY();
    state->flaw |= NAME(changed)(c, (ELEMENT)state->multiplier) |
                   NAME(changed)(c_over_p, (ELEMENT)state->multiplier / prime) |
                   NAME(changed)(CONSTANT(p, NAME(folded_prime)), prime) |
                   NAME(changed)(CONSTANT(m, NAME(magic)), MAGIC) | (up ^ steps) | down;
}

HF_KERNEL_CODE static void NAME(advance)(void *opaque_state, uint64_t steps)
{
    struct hf_residue_state *state = opaque_state;
    ELEMENT *lane = (void *)state->lane;
    const ELEMENT prime = (ELEMENT)PLAIN_PRIME;
    const ELEMENT multiplier = (ELEMENT)state->multiplier;
    VECTOR x[VECTORS];
    VECTOR c = V_SET(multiplier);
    VECTOR c_over_p = V_SET(multiplier / prime);
    VECTOR p = V_SET(prime);
    VECTOR m = V_SET(MAGIC);
    uint64_t up = 0;
    uint64_t down = steps;

    if (state->mode & HF_RESIDUE_MODE_FOLDED) {
        NAME(advance_folded)(state, steps);
        return;
    }
    V_OPAQUE(c);
    V_OPAQUE(c_over_p);
    V_OPAQUE(p);
    V_OPAQUE(m);
    HF_UNROLL
    for (int i = 0; i < VECTORS; i++)
        x[i] = V_LOAD(&lane[i * VECTOR_LANES]);
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
        V_STORE(&lane[i * VECTOR_LANES], x[i]);
    HF_REREAD_MEMORY();
    state->flaw |= NAME(changed)(c, (ELEMENT)state->multiplier) |
                   NAME(changed)(c_over_p, (ELEMENT)state->multiplier / prime) | NAME(changed)(p, prime) |
                   NAME(changed)(m, MAGIC) | (up ^ steps) | down;
}

/* Independent multiply-adds and nothing else: the issue rate that advance() is measured against. */
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

static void NAME(start)(void *state, enum hf_operands operands, uint64_t seed)
{
    hf_residue_vector_start(state, &FAMILY(shape), HF_RESIDUE_BY_SEED, operands, seed);
}

static uint64_t NAME(digest)(const void *state)
{
    return hf_residue_vector_digest(state, &FAMILY(shape));
}

static void NAME(locate)(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,
                         struct hf_lane_report *ret_report)
{
    hf_residue_vector_locate(state, &FAMILY(shape), HF_RESIDUE_BY_SEED, operands, seed, steps, ret_report);
}

static void NAME(plant)(void *state, uint64_t bit)
{
    hf_residue_vector_plant(state, &FAMILY(shape), bit);
}

/* Every block folded, whatever the seed. */
static void NAME(folded_start)(void *state, enum hf_operands operands, uint64_t seed)
{
    hf_residue_vector_start(state, &FAMILY(shape), HF_RESIDUE_FOLDED, operands, seed);
}

static uint64_t NAME(folded_expect)(enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    return hf_residue_expect(&FAMILY(shape), HF_RESIDUE_FOLDED, operands, seed, steps);
}

static void NAME(folded_locate)(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,
                                struct hf_lane_report *ret_report)
{
    hf_residue_vector_locate(state, &FAMILY(shape), HF_RESIDUE_FOLDED, operands, seed, steps, ret_report);
}

#define ENTRY_OF(kind, folded_entry, start_function, expect_function, locate_function)                       \
    {                                                                                                        \
        .name = KERNEL_NAME, .variant = kind, .folded = folded_entry, .isa = ISA, .needs = NEEDS,            \
        .width_bits = WIDTH, .load_class = CLASS,                                                            \
        .state_bytes = HF_RESIDUE_STATE_BYTES(LANES, sizeof(ELEMENT)),                                       \
        .live_state = HF_LIVE_VECTOR | HF_LIVE_MEMORY,                                                       \
        .live_bits = HF_RESIDUE_LIVE_BITS(LANES, VECTOR_LANES, sizeof(ELEMENT)), .burst_steps = BURST,       \
        .operations_per_step = HF_RESIDUE_OPERATIONS * VECTORS, .flops_per_step = HF_RESIDUE_FLOPS * LANES,  \
        .limit = "multiply-add issue", .limit_loop = NAME(limit), .start = start_function,                   \
        .advance = NAME(advance), .digest = NAME(digest), .expect = expect_function,                         \
        .locate = locate_function, .plant = NAME(plant),                                                     \
    }

static const struct hf_kernel NAME(folded_entry) = ENTRY_OF("folded", NULL, NAME(folded_start),
                                                            NAME(folded_expect), NAME(folded_locate));
extern const struct hf_kernel ENTRY_NAME;
const struct hf_kernel ENTRY_NAME =
    ENTRY_OF("plain", &NAME(folded_entry), NAME(start), FAMILY(expect), NAME(locate));

#undef ENTRY_OF
#undef ELEMENT
#undef WORD
#undef PLAIN_PRIME
#undef FOLDED_PRIME
#undef CONSTANT
#undef V_REGISTERS
#undef MAGIC
#undef KERNEL_NAME
#undef FAMILY
#undef LANES_OF_FAMILY
#undef NAME2
#undef NAME1
#undef NAME
#undef LANES
#undef CHAIN
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
