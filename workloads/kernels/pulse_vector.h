/*
 * The body of a vector entry of pulse; see pulse.h. The including file defines the same macros as for
 * fma_residue_vector.h, and:
 *   V_GATE(v, word)     v with `word` mixed into every lane by exclusive or
 *
 * Live in registers: VECTORS vectors each of x, h and q; the constants partly in memory.
 */
#define NAME2(name, width) name##_##width
#define NAME1(name, width) NAME2(name, width)
#define NAME(name)         NAME1(name, WIDTH)
#define LANES              (VECTOR_LANES * VECTORS)

_Static_assert(LANES == NAME(HF_PULSE_LANES), "lanes are a property of the width");

struct NAME(constants) {
    VECTOR c, c_over_p, p, magic, one;
};

/* The metronome: where it stands, the zero it adds, and how far it goes between two pulses. */
struct NAME(metronome) {
    uint64_t beat;
    uint64_t zero;
    uint64_t turns;
};

HF_INLINE struct NAME(constants) NAME(constants_of)(const struct hf_fma_state *state)
{
    const double prime = (double)HF_PRIME_50;

    return (struct NAME(constants)){.c = V_SET(state->multiplier),
                                    .c_over_p = V_SET(state->multiplier / prime),
                                    .p = V_SET(prime),
                                    .magic = V_SET(0x1.8p52),
                                    .one = V_SET(1.0)};
}

HF_INLINE void NAME(made)(VECTOR v[VECTORS])
{
    HF_UNROLL
    for (int i = 0; i < VECTORS; i++)
        V_OPAQUE(v[i]); /* in program order, the stage is over before the metronome goes on */
}

/* A beat before stage number `stage` when stages come in pulses of `on`. */
#define NEXT_STAGE(stage)                                                                                    \
    if ((stage) % on == 0)                                                                                   \
    metronome->beat = hf_pulse_wait(metronome->beat, metronome->zero, metronome->turns)

/* One modular multiplication of every lane, in stages. */
HF_INLINE void NAME(staged_step)(VECTOR x[VECTORS], const struct NAME(constants) * k,
                                 struct NAME(metronome) * metronome, int on)
{
    VECTOR h[VECTORS], q[VECTORS], gated;

#define EACH_VECTOR(statement)                                                                               \
    HF_UNROLL                                                                                                \
    for (int i = 0; i < VECTORS; i++)                                                                        \
    statement
    NEXT_STAGE(0);
    gated = V_GATE(k->c, metronome->beat);
    EACH_VECTOR(h[i] = V_MULTIPLY(x[i], gated));
    NAME(made)(h);
    NEXT_STAGE(1);
    gated = V_GATE(k->c_over_p, metronome->beat);
    EACH_VECTOR(q[i] = V_FMA(x[i], gated, k->magic));
    NAME(made)(q);
    NEXT_STAGE(2);
    gated = V_GATE(k->magic, metronome->beat);
    EACH_VECTOR(q[i] = V_SUBTRACT(q[i], gated));
    NAME(made)(q);
    NEXT_STAGE(3);
    gated = V_GATE(k->c, metronome->beat);
    EACH_VECTOR(x[i] = V_FMS(x[i], gated, h[i]));
    NAME(made)(x);
    NEXT_STAGE(4);
    gated = V_GATE(k->p, metronome->beat);
    EACH_VECTOR(h[i] = V_FNMA(q[i], gated, h[i]));
    NAME(made)(h);
    NEXT_STAGE(5);
    gated = V_GATE(k->one, metronome->beat);
    EACH_VECTOR(x[i] = V_FMA(h[i], gated, x[i]));
    NAME(made)(x);
#undef EACH_VECTOR
}

HF_INLINE void NAME(plain_step)(VECTOR x[VECTORS], const struct NAME(constants) * k)
{
    HF_UNROLL
    for (int i = 0; i < VECTORS; i++) {
        VECTOR h = V_MULTIPLY(x[i], k->c);
        VECTOR q = V_SUBTRACT(V_FMA(x[i], k->c_over_p, k->magic), k->magic);
        VECTOR low = V_FMS(x[i], k->c, h);

        x[i] = V_ADD(V_FNMA(q, k->p, h), low);
    }
}

HF_INLINE uint64_t NAME(changed)(VECTOR vector, double constant)
{
    double lane[VECTOR_LANES] __attribute__((aligned(64)));
    uint64_t difference = 0;

    V_STORE(lane, vector);
    for (int i = 0; i < VECTOR_LANES; i++)
        difference |= hf_bits_of_double(lane[i]) ^ hf_bits_of_double(constant);
    return difference;
}

HF_INLINE uint64_t NAME(flaw_of)(const struct hf_fma_state *state, const struct NAME(constants) * k)
{
    const double prime = (double)HF_PRIME_50;

    HF_REREAD_MEMORY();
    return NAME(changed)(k->c, state->multiplier) | NAME(changed)(k->c_over_p, state->multiplier / prime) |
           NAME(changed)(k->p, prime) | NAME(changed)(k->magic, 0x1.8p52) | NAME(changed)(k->one, 1.0);
}

HF_INLINE void NAME(load)(const struct hf_fma_state *state, VECTOR x[VECTORS], struct NAME(constants) * k)
{
    *k = NAME(constants_of)(state);
    V_OPAQUE(k->c);
    V_OPAQUE(k->c_over_p);
    V_OPAQUE(k->p);
    V_OPAQUE(k->magic);
    V_OPAQUE(k->one);
    HF_UNROLL
    for (int i = 0; i < VECTORS; i++)
        x[i] = V_LOAD(&state->lane[i * VECTOR_LANES]);
}

HF_INLINE void NAME(store)(struct hf_fma_state *state, const VECTOR x[VECTORS],
                           const struct NAME(constants) * k, uint64_t flaw)
{
    HF_UNROLL
    for (int i = 0; i < VECTORS; i++)
        V_STORE(&state->lane[i * VECTOR_LANES], x[i]);
    state->flaw |= flaw | NAME(flaw_of)(state, k);
}

HF_KERNEL_CODE static void NAME(advance)(void *opaque_state, uint64_t steps)
{
    struct hf_fma_state *state = opaque_state;
    struct NAME(constants) k;
    VECTOR x[VECTORS];
    uint64_t up = 0;
    uint64_t down = steps;

    NAME(load)(state, x, &k);
    while (up < steps && down != 0) {
        NAME(plain_step)(x, &k);
        up++;
        down--;
        HF_OPAQUE(down);
    }
    NAME(store)(state, x, &k, (up ^ steps) | down);
}

/* Steps with a beat every `on` stages of a step, on 1, 2, 3 or 6. */
#define PULSE_LOOP(on_)                                                                                      \
    while (up < steps && down != 0) {                                                                        \
        NAME(staged_step)(x, &k, &metronome, (on_));                                                         \
        up++;                                                                                                \
        down--;                                                                                              \
        HF_OPAQUE(down);                                                                                     \
    }

/* A beat, then `chunk` whole steps. */
#define NO_BEAT (HF_PULSE_STAGES + 1)
#define CHUNK_LOOP(chunk_)                                                                                   \
    while (up < steps && down != 0) {                                                                        \
        metronome.beat = hf_pulse_wait(metronome.beat, metronome.zero, metronome.turns);                     \
        for (uint64_t i = 0; i < (chunk_) && up < steps && down != 0; i++) {                                 \
            NAME(gated_step)(x, &k, metronome.beat);                                                         \
            up++;                                                                                            \
            down--;                                                                                          \
            HF_OPAQUE(down);                                                                                 \
        }                                                                                                    \
    }

/* plain_step behind a beat that has been waited for. */
HF_INLINE void NAME(gated_step)(VECTOR x[VECTORS], const struct NAME(constants) * k, uint64_t beat)
{
    struct NAME(constants) gated = *k;

    gated.c = V_GATE(k->c, beat);
    gated.c_over_p = V_GATE(k->c_over_p, beat);
    NAME(plain_step)(x, &gated);
}

HF_KERNEL_CODE static void NAME(pulse)(void *opaque_state, uint64_t steps, uint64_t on_stages, uint64_t turns)
{
    struct hf_fma_state *state = opaque_state;
    struct NAME(metronome) metronome = {.turns = turns};
    struct NAME(constants) k;
    VECTOR x[VECTORS];
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(metronome.zero);
    HF_OPAQUE(metronome.beat);
    NAME(load)(state, x, &k);
    if (on_stages == 1) {
        PULSE_LOOP(1)
    } else if (on_stages == 2) {
        PULSE_LOOP(2)
    } else if (on_stages == 3) {
        PULSE_LOOP(3)
    } else {
        uint64_t chunk = on_stages / HF_PULSE_STAGES;

        chunk += chunk == 0; /* whatever it is given, it ends */
        CHUNK_LOOP(chunk)
    }
    NAME(store)(state, x, &k, (up ^ steps) | down | metronome.beat | metronome.zero);
}

/* Independent multiply-adds and nothing else. */
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

static uint64_t NAME(expect)(enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    return hf_fma_expect(operands, seed, steps, LANES);
}

static void NAME(plant)(void *state, uint64_t bit)
{
    hf_fma_vector_plant(state, bit, LANES);
}

const struct hf_kernel ENTRY_NAME = {
    .name = "pulse",
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
    .limit = LIMIT,
    .limit_loop = NAME(limit),
    .start = NAME(start),
    .advance = NAME(advance),
    .digest = NAME(digest),
    .expect = NAME(expect),
    .locate = NAME(locate),
    .plant = NAME(plant),
    .stages_per_step = HF_PULSE_STAGES,
    .pulse = NAME(pulse),
};
