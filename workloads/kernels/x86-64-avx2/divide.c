/*
 * divide with the dividers of x86-64: div of 128 and 64 bits, sqrtsd and divsd, and the extended precision of
 * the x87 unit (fmul, fdiv). See divide.h.
 *
 * What fits at once: integer chains in general registers, the double precision chains in vector registers,
 * the extended ones on the x87 stack; the families run side by side because no chain waits for another.
 */
#include "workloads/kernels/divide.h"
#include "workloads/features.h"
#include "workloads/kernels/intrinsics.h"

#define REALS_A_TURN (HF_DIVIDE_DOUBLE / HF_DIVIDE_TURNS)

_Static_assert(HF_DIVIDE_DOUBLE % HF_DIVIDE_TURNS == 0 && HF_DIVIDE_EXTENDED == HF_DIVIDE_TURNS / 2,
               "each turn takes as much of each family");

#define LOW_BITS(n) ((UINT64_C(1) << (n)) - 1)

/* Quotient and remainder of (high 2^64 + low) / divisor; traps unless high < divisor. */
#define DIVIDE_128(high, low, divisor, quotient, remainder)                                                  \
    __asm__("divq %4" : "=a"(quotient), "=d"(remainder) : "a"(low), "d"(high), "r"(divisor) : "cc")
#define DIVIDE_64(high, low, divisor, quotient, remainder)                                                   \
    __asm__("divl %4" : "=a"(quotient), "=d"(remainder) : "a"(low), "d"(high), "r"(divisor) : "cc")

/* x < 2^62, a < 2^61: the dividend's upper word is below 2^60, the divisor at least 2^61. */
HF_INLINE uint64_t wide_turn(uint64_t x, struct hf_divide_constants map, uint64_t prime, uint64_t *flaw)
{
    hf_u128 dividend = (hf_u128)x * map.multiplier + map.increment;
    uint64_t high = (uint64_t)(dividend >> 64);
    uint64_t divisor = prime | UINT64_C(1) << 61;
    uint64_t quotient, remainder;

    DIVIDE_128(high & LOW_BITS(60), (uint64_t)dividend, divisor, quotient, remainder);
    *flaw |= ((quotient * divisor + remainder) ^ (uint64_t)dividend) | high >> 60;
    return remainder;
}

/* x, a, b < 2^31: the dividend's upper half is below 2^30, the divisor at least 2^30. */
HF_INLINE uint64_t narrow_turn(uint64_t x, struct hf_divide_constants map, uint64_t prime, uint64_t *flaw)
{
    uint64_t dividend = x * map.multiplier + map.increment;
    uint32_t divisor = (uint32_t)prime | UINT32_C(1) << 30;
    uint32_t quotient, remainder;

    DIVIDE_64((uint32_t)(dividend >> 32 & LOW_BITS(30)), (uint32_t)dividend, divisor, quotient, remainder);
    *flaw |= ((uint64_t)quotient * divisor + remainder) ^ dividend;
    return remainder;
}

struct real_constants {
    double multiplier, increment, factor, prime;
};

/* What is left in [0, prime) is right or wrong; what is not is a flaw: the sign bit of x or of (prime - 1) -
 * x. */
HF_INLINE uint64_t real_flaw(double x, double last)
{
    return (hf_bits_of_double(x) | hf_bits_of_double(last - x)) >> 63;
}

HF_INLINE double real_turn(double x, const struct real_constants *k, uint64_t *flaw)
{
    __m128d square = _mm_set_sd(x * x);
    double root = _mm_cvtsd_f64(_mm_sqrt_sd(square, square));
    double same = root * k->factor / k->factor;
    double sum = same * k->multiplier + k->increment;
    __m128d quotient = _mm_set_sd(sum / k->prime);
    double whole = _mm_cvtsd_f64(_mm_round_sd(quotient, quotient, _MM_FROUND_TO_ZERO | _MM_FROUND_NO_EXC));
    double next = sum - whole * k->prime;

    *flaw |= real_flaw(next, k->prime - 1);
    return next;
}

struct extended_constants {
    long double multiplier, increment, prime;
};

HF_INLINE long double extended_turn(long double x, const struct extended_constants *k, uint64_t *flaw)
{
    long double sum = x * k->multiplier + k->increment;
    long double next = sum - (long double)(int64_t)(sum / k->prime) * k->prime;
    int64_t whole = (int64_t)next;

    *flaw |= (uint64_t)(whole | ((int64_t)HF_DIVIDE_EXTENDED_PRIME - 1 - whole)) >> 63;
    return next;
}

/* A chain on its way back to the state: no whole number leaves no right word. */
HF_INLINE uint64_t word_of_real(double x)
{
    return (double)(int64_t)x == x ? (uint64_t)(int64_t)x : hf_bits_of_double(x) | HF_WORD_IMPOSSIBLE;
}

HF_INLINE uint64_t word_of_extended(long double x)
{
    return (long double)(int64_t)x == x ? (uint64_t)(int64_t)x : HF_WORD_IMPOSSIBLE;
}

/* What a burst keeps in registers. */
struct chains {
    uint64_t wide[HF_DIVIDE_LONG], narrow[HF_DIVIDE_SHORT];
    double real[HF_DIVIDE_DOUBLE];
    long double extended[HF_DIVIDE_EXTENDED];
};

HF_INLINE void chains_load(struct chains *chains, const struct hf_divide_state *state)
{
    HF_UNROLL
    for (int i = 0; i < HF_DIVIDE_LONG; i++)
        chains->wide[i] = state->wide[i];
    HF_UNROLL
    for (int i = 0; i < HF_DIVIDE_SHORT; i++)
        chains->narrow[i] = state->narrow[i];
    HF_UNROLL
    for (int i = 0; i < HF_DIVIDE_DOUBLE; i++)
        chains->real[i] = (double)(int64_t)state->real[i];
    HF_UNROLL
    for (int i = 0; i < HF_DIVIDE_EXTENDED; i++)
        chains->extended[i] = (long double)(int64_t)state->extended[i];
}

HF_INLINE void chains_store(const struct chains *chains, struct hf_divide_state *state)
{
    HF_UNROLL
    for (int i = 0; i < HF_DIVIDE_LONG; i++)
        state->wide[i] = chains->wide[i];
    HF_UNROLL
    for (int i = 0; i < HF_DIVIDE_SHORT; i++)
        state->narrow[i] = chains->narrow[i];
    HF_UNROLL
    for (int i = 0; i < HF_DIVIDE_DOUBLE; i++)
        state->real[i] = word_of_real(chains->real[i]);
    HF_UNROLL
    for (int i = 0; i < HF_DIVIDE_EXTENDED; i++)
        state->extended[i] = word_of_extended(chains->extended[i]);
}

struct constants {
    struct hf_divide_constants wide, narrow;
    struct real_constants real;
    struct extended_constants extended;
    uint64_t wide_prime, narrow_prime;
};

HF_INLINE struct constants constants_of(const struct hf_divide_state *state)
{
    return (struct constants){
        .wide = state->wide_map,
        .narrow = state->narrow_map,
        .real = {(double)(int64_t)state->real_map.multiplier, (double)(int64_t)state->real_map.increment,
                 (double)(int64_t)state->factor, (double)HF_DIVIDE_DOUBLE_PRIME},
        .extended = {(long double)(int64_t)state->extended_map.multiplier,
                     (long double)(int64_t)state->extended_map.increment,
                     (long double)HF_DIVIDE_EXTENDED_PRIME},
        .wide_prime = HF_DIVIDE_LONG_PRIME,
        .narrow_prime = HF_DIVIDE_SHORT_PRIME,
    };
}

/* Did one of them change in its register? */
HF_INLINE uint64_t constants_flaw(const struct constants *k, const struct hf_divide_state *state)
{
    struct constants wanted = constants_of(state);

    return (k->wide.multiplier ^ wanted.wide.multiplier) | (k->wide.increment ^ wanted.wide.increment) |
           (k->narrow.multiplier ^ wanted.narrow.multiplier) |
           (k->narrow.increment ^ wanted.narrow.increment) | (k->wide_prime ^ wanted.wide_prime) |
           (k->narrow_prime ^ wanted.narrow_prime) |
           (hf_bits_of_double(k->real.multiplier) ^ hf_bits_of_double(wanted.real.multiplier)) |
           (hf_bits_of_double(k->real.increment) ^ hf_bits_of_double(wanted.real.increment)) |
           (hf_bits_of_double(k->real.factor) ^ hf_bits_of_double(wanted.real.factor)) |
           (hf_bits_of_double(k->real.prime) ^ hf_bits_of_double(wanted.real.prime)) |
           (uint64_t)(k->extended.multiplier != wanted.extended.multiplier) |
           (uint64_t)(k->extended.increment != wanted.extended.increment) |
           (uint64_t)(k->extended.prime != wanted.extended.prime);
}

HF_INLINE void turn_all(struct chains *chains, const struct constants *k, int turn, uint64_t *flaw)
{
    HF_UNROLL
    for (int i = turn * REALS_A_TURN; i < (turn + 1) * REALS_A_TURN; i++)
        chains->real[i] = real_turn(chains->real[i], &k->real, flaw);
    HF_UNROLL
    for (int i = 0; i < HF_DIVIDE_LONG; i++)
        chains->wide[i] = wide_turn(chains->wide[i], k->wide, k->wide_prime, flaw);
    HF_UNROLL
    for (int i = 0; i < HF_DIVIDE_SHORT; i++)
        chains->narrow[i] = narrow_turn(chains->narrow[i], k->narrow, k->narrow_prime, flaw);
    if (turn % 2)
        chains->extended[turn / 2] = extended_turn(chains->extended[turn / 2], &k->extended, flaw);
}

HF_KERNEL_CODE static void advance(void *opaque_state, uint64_t steps)
{
    struct hf_divide_state *state = opaque_state;
    struct constants k = constants_of(state);
    struct chains chains;
    uint64_t flaw = hf_divide_range_flaw(state);
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(k.wide_prime);
    HF_OPAQUE(k.narrow_prime);
    HF_OPAQUE(k.wide.multiplier);
    HF_OPAQUE(k.narrow.multiplier);
    __asm__("" : "+x"(k.real.multiplier), "+x"(k.real.increment), "+x"(k.real.factor), "+x"(k.real.prime));
    chains_load(&chains, state);
    while (up < steps && down != 0) {
        HF_UNROLL
        for (int turn = 0; turn < HF_DIVIDE_TURNS; turn++)
            turn_all(&chains, &k, turn, &flaw);
        up++;
        down--;
        HF_OPAQUE(down);
    }
    chains_store(&chains, state);
    HF_REREAD_MEMORY();
    state->flaw |= flaw | constants_flaw(&k, state) | (up ^ steps) | down;
}

/* The same divisions and square roots, as large, none of which waits for another. */
static uint64_t limit_loop(uint64_t rounds)
{
    const uint64_t wide_low = UINT64_C(0x9e3779b97f4a7c15);
    double dividend = 3.1e15, divisor = 6.7e7;
    long double extended_divisor = 4.2e9L;
    int64_t extended_whole = INT64_MAX - 5;
    double extended_sink;

    for (uint64_t round = 0; round < rounds; round++) {
        uint64_t prime = HF_DIVIDE_LONG_PRIME;
        uint32_t narrow_prime = (uint32_t)HF_DIVIDE_SHORT_PRIME;

        HF_OPAQUE(prime);
        HF_OPAQUE(narrow_prime);
        HF_UNROLL
        for (int i = 0; i < HF_DIVIDE_DOUBLE; i++) {
            __m128d number = _mm_set_sd(dividend);
            __m128d root;
            double first, second;

            __asm__("" : "+x"(number));
            root = _mm_sqrt_sd(number, number);
            __asm__ volatile("" : : "x"(root));
            __asm__("" : "+x"(dividend));
            first = dividend / divisor;
            __asm__ volatile("" : : "x"(first));
            __asm__("" : "+x"(dividend));
            second = dividend / divisor;
            __asm__ volatile("" : : "x"(second));
        }
        HF_UNROLL
        for (int i = 0; i < HF_DIVIDE_TURNS * HF_DIVIDE_LONG; i++) {
            uint64_t quotient, remainder;

            DIVIDE_128(UINT64_C(0x3779b97f4a7c15), wide_low, prime, quotient, remainder);
            __asm__ volatile("" : : "r"(quotient), "r"(remainder));
            HF_OPAQUE(prime);
        }
        HF_UNROLL
        for (int i = 0; i < HF_DIVIDE_TURNS * HF_DIVIDE_SHORT; i++) {
            uint32_t quotient, remainder;

            DIVIDE_64(UINT32_C(0x1779b97f), UINT32_C(0x7f4a7c15), narrow_prime, quotient, remainder);
            __asm__ volatile("" : : "r"(quotient), "r"(remainder));
            HF_OPAQUE(narrow_prime);
        }
        HF_UNROLL
        for (int i = 0; i < HF_DIVIDE_EXTENDED; i++) {
            long double quotient;

            HF_OPAQUE(extended_whole); /* another dividend, for all the compiler knows */
            quotient = (long double)extended_whole / extended_divisor;
            extended_sink = (double)quotient;
            __asm__ volatile("" : : "x"(extended_sink));
        }
    }
    return rounds * HF_DIVIDE_OPERATIONS;
}

extern const struct hf_kernel hf_avx2_divide;
const struct hf_kernel hf_avx2_divide = {
    .name = "divide",
    .isa = "sse2+x87",
    .needs = HF_FEATURE_AVX2_FMA,
    .width_bits = 64,
    .load_class = HF_LOAD_MULTIPLY,
    .state_bytes = sizeof(struct hf_divide_state),
    .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,
    .live_bits = 64 * HF_DIVIDE_WORDS,
    .burst_steps = 300,
    .operations_per_step = HF_DIVIDE_OPERATIONS,
    .limit = "divider issue",
    .limit_loop = limit_loop,
    .start = hf_divide_start,
    .advance = advance,
    .digest = hf_divide_digest,
    .expect = hf_divide_expect,
    .locate = hf_divide_locate,
    .plant = hf_divide_plant,
};
