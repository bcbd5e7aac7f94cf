/*
 * handoff: what two cores do with one cache line. Plain C with C11 atomics is its only form: the
 * lock-prefixed and exclusive instructions behind them are what is tested.
 *
 * A step, on the pair this worker shares with its partner (workloads/team.h):
 *   1. writes its next token, and looks whether the last one still stands in its own line as it was written;
 *   2. adds 1 to its counter, beside which the partner does the same: the old value must be the one it left;
 *   3. takes the lock if it is free, checks what it guards, writes the next values, and gives it back;
 *   4. takes the partner's token when there is a new one: number above the last, every word as the number
 * says;
 *   5. waits, a bounded time, until the partner has seen the token of (1): one exchange is met;
 *   6. moves its chain x -> m x + k modulo 2^64.
 * Known: the chain by affine jump-ahead, the step count, and that every flaw is 0: whatever the partner does.
 * How many exchanges were met is no part of the answer: it says whether there was a partner, that is, whether
 * the block proves anything (hf_kernel.partnered).
 *
 * Words of a state: chain, steps, flaw (of this core), m, k, the difference of two counts of exchanges.
 * Beside them, not in the digest: the count itself, and `foreign`, the bits of a token or of guarded words
 * that the partner left wrong.
 *
 * Who is to blame: a wrong token is read again. If it is right now, this core read it wrong: flaw. If it
 * stays wrong it stands so in memory: the partner made it wrong (it looks at its own line too, and says so
 * itself): foreign.
 *
 * Masked errors, and what catches them:
 *   - a jump into the middle of a step: every part of a step counts for itself (tokens, additions, steps,
 *     exchanges twice), and the counts must agree at the end.
 *   - a token that was overwritten before the partner looked: the next one is looked at.
 *   - a wrong number that is still above the last and has its right words: the words follow from all its
 * bits.
 *
 * Operand sets: the chain's start and map, as in wide-multiply; tokens are the same in all sets.
 */
#include "workloads/arithmetic.h"
#include "workloads/kernels/kernel_code.h"
#include "workloads/team.h"

#if defined(__x86_64__)
#define PAUSE() __builtin_ia32_pause()
#else
#define PAUSE() __asm__ volatile("")
#endif

#define WORDS        6
#define LOOKS        300 /* at the partner's line before an exchange is given up: some 10 to 30 us */
#define READ_AGAIN   3
#define GUARD_FACTOR UINT64_C(0x9e3779b97f4a7c15)

struct handoff_state {
    uint64_t chain;
    uint64_t steps;
    uint64_t flaw;
    uint64_t multiplier;
    uint64_t increment;
    uint64_t met;
    uint64_t
        met_again; /* the same: a wrong count would throw a block away, or keep one that proves nothing */
    uint64_t foreign;
};

_Static_assert(sizeof(struct handoff_state) % 64 == 0, "states are laid side by side");

#define LOAD(place)                 atomic_load_explicit((place), memory_order_relaxed)
#define LOAD_ACQUIRE(place)         atomic_load_explicit((place), memory_order_acquire)
#define STORE(place, value)         atomic_store_explicit((place), (value), memory_order_relaxed)
#define STORE_RELEASE(place, value) atomic_store_explicit((place), (value), memory_order_release)

/* Bits of the words that do not follow from the number. */
HF_INLINE uint64_t token_flaw(const struct hf_team_side *side, uint64_t number)
{
    uint64_t flaw = 0;

    HF_UNROLL
    for (int i = 0; i < HF_TOKEN_WORDS; i++)
        flaw |= LOAD(&side->word[i]) ^ hf_token_word(number, i);
    return flaw;
}

HF_INLINE void token_write(struct hf_team_side *own, uint64_t number)
{
    STORE(&own->number, 0);
    atomic_thread_fence(memory_order_release);
    HF_UNROLL
    for (int i = 0; i < HF_TOKEN_WORDS; i++)
        STORE(&own->word[i], hf_token_word(number, i));
    STORE_RELEASE(&own->number, number);
}

/* The words of a token and the number around them; 1 when they belong together. */
HF_INLINE int token_read(const struct hf_team_side *other, uint64_t *ret_number, uint64_t *ret_flaw)
{
    *ret_number = LOAD_ACQUIRE(&other->number);
    *ret_flaw = token_flaw(other, *ret_number);
    atomic_thread_fence(memory_order_acquire);
    return *ret_number != 0 && LOAD(&other->number) == *ret_number;
}

/* Wrong bits stand in memory when they are read the same again: then it is the partner's doing. */
HF_INLINE int is_lasting(const struct hf_team_side *other, uint64_t number, uint64_t flaw)
{
    for (int i = 0; i < READ_AGAIN; i++) {
        uint64_t number_again, flaw_again;

        if (!token_read(other, &number_again, &flaw_again) || number_again != number || flaw_again != flaw)
            return 0;
    }
    return 1;
}

/* Takes a new token if there is one. */
HF_INLINE void token_take(struct handoff_state *state, const struct hf_team_side *other,
                          struct hf_team_side *own)
{
    uint64_t last = LOAD(&own->seen);
    uint64_t number, flaw;

    if (LOAD(&other->number) == last || !token_read(other, &number, &flaw) || number == last)
        return;
    if (number < last && !is_lasting(other, number, flaw))
        state->flaw |= HF_WORD_IMPOSSIBLE;
    else if (number < last)
        state->foreign |= HF_WORD_IMPOSSIBLE;
    if (flaw != 0 && is_lasting(other, number, flaw))
        state->foreign |= flaw;
    else
        state->flaw |= flaw;
    STORE_RELEASE(&own->seen, number);
}

/* The lock, if it is to be had; what it guards must be as the last holder had to leave it. */
HF_INLINE void guard(struct handoff_state *state, struct hf_team_pair *pair, uint64_t side)
{
    uint64_t expected = 0;
    uint64_t value, holder, wrong;

    if (!atomic_compare_exchange_strong_explicit(&pair->lock, &expected, 1 + side, memory_order_acquire,
                                                 memory_order_relaxed))
        return;
    value = LOAD(&pair->guarded[0]);
    holder = LOAD(&pair->holder);
    wrong = LOAD(&pair->guarded[1]) ^ value * GUARD_FACTOR;
    if (holder == 1 + side || (LOAD(&pair->guarded[1]) ^ LOAD(&pair->guarded[0]) * GUARD_FACTOR) != wrong)
        state->flaw |= wrong;
    else if (holder != 0) /* 0: nobody yet, or a worker that died with the lock in its hand */
        state->foreign |= wrong;
    STORE(&pair->guarded[0], value + 1);
    STORE(&pair->guarded[1], (value + 1) * GUARD_FACTOR);
    STORE(&pair->holder, 1 + side);
    STORE_RELEASE(&pair->lock, 0);
}

/* Until the partner has seen the token, or for as long as patience lasts. Returns the number that it has
 * seen, or 0. */
HF_INLINE uint64_t exchange(struct handoff_state *state, struct hf_team_side *own,
                            const struct hf_team_side *other, uint64_t number, int looks)
{
    for (int look = 0; look < looks; look++) {
        uint64_t seen;

        token_take(state, other, own);
        seen = LOAD_ACQUIRE(&other->seen);
        if (seen == number) {
            state->met++;
            return seen;
        }
        PAUSE();
    }
    return 0;
}

HF_INLINE void advance(struct handoff_state *state, uint64_t steps, const struct hf_team_place *place)
{
    struct hf_team_pair *pair = place->pair;
    uint64_t side = (uint64_t)place->side;
    struct hf_team_side *own = &pair->side[side];
    const struct hf_team_side *other = &pair->side[1 - side];
    uint64_t written = LOAD(&own->number); /* 0: this worker is new; it goes on from what the partner saw */
    uint64_t number = written != 0 ? written : LOAD(&other->seen);
    uint64_t count = LOAD(&pair->count[side]);
    uint64_t seen = LOAD(&other->seen);
    uint64_t last = number + steps;
    uint64_t last_count = count + steps;
    uint64_t met;
    int patient = !place->alone;
    uint64_t up = 0;
    uint64_t down = steps;

    while (up < steps && down != 0) {
        if (written != 0)
            state->flaw |= token_flaw(own, written) | (LOAD(&own->number) ^ written);
        token_write(own, ++number);
        written = number;
        state->flaw |= atomic_fetch_add_explicit(&pair->count[side], 1, memory_order_acq_rel) ^ count++;
        guard(state, pair, side);
        met = exchange(state, own, other, number, patient ? LOOKS : 1);
        patient = LOAD(&other->seen) != seen; /* gone: no waiting until it shows itself again */
        seen = LOAD(&other->seen);
        state->chain = state->chain * state->multiplier + state->increment;
        state->steps++;
        HF_OPAQUE(met); /* counted once more, at some distance: no wrong branch or jump does both */
        state->met_again += met == number;
        up++;
        down--;
        HF_OPAQUE(down);
        HF_OPAQUE(number);
        HF_OPAQUE(count);
    }
    state->flaw |= (up ^ steps) | down | (number ^ last) | (count ^ last_count);
}

HF_KERNEL_CODE static void advance_group(void *state, uint64_t steps)
{
    advance(state, steps, &hf_team_places[HF_SCOPE_GROUP]);
}

HF_KERNEL_CODE static void advance_across(void *state, uint64_t steps)
{
    advance(state, steps, &hf_team_places[HF_SCOPE_ACROSS]);
}

/* --- start and closed form --- */

static struct hf_affine map_of(enum hf_operands operands)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return (struct hf_affine){37, 11};
    case HF_OPERANDS_SPARSE:
        return (struct hf_affine){(UINT64_C(1) << 33) + 5, (UINT64_C(1) << 17) + 1};
    case HF_OPERANDS_CARRY:
        return (struct hf_affine){UINT64_C(0xfffffffffffffffd), UINT64_C(0x7fffffffffffffff)};
    default:
        return (struct hf_affine){HF_MMIX_MULTIPLIER, HF_MMIX_INCREMENT};
    }
}

static void start(struct handoff_state *state, enum hf_scope scope, enum hf_operands operands, uint64_t seed)
{
    struct hf_affine map = map_of(operands);

    if (hf_team_places[scope].pair == NULL)
        hf_team_join(scope, NULL, 0);
    *state = (struct handoff_state){.chain = hf_seed_word(seed, (uint64_t)operands),
                                    .multiplier = map.multiplier,
                                    .increment = map.increment};
}

static void start_group(void *state, enum hf_operands operands, uint64_t seed)
{
    start(state, HF_SCOPE_GROUP, operands, seed);
}

static void start_across(void *state, enum hf_operands operands, uint64_t seed)
{
    start(state, HF_SCOPE_ACROSS, operands, seed);
}

static void expect_words(enum hf_operands operands, uint64_t seed, uint64_t steps, uint64_t ret_words[WORDS])
{
    struct hf_affine map = map_of(operands);

    ret_words[0] = hf_affine_apply(hf_affine_power(map, steps), hf_seed_word(seed, (uint64_t)operands));
    ret_words[1] = steps;
    ret_words[2] = 0;
    ret_words[3] = map.multiplier;
    ret_words[4] = map.increment;
    ret_words[5] = 0;
}

static void words_of(const struct handoff_state *state, uint64_t ret_words[WORDS])
{
    ret_words[0] = state->chain;
    ret_words[1] = state->steps;
    ret_words[2] = state->flaw;
    ret_words[3] = state->multiplier;
    ret_words[4] = state->increment;
    ret_words[5] = state->met ^ state->met_again;
}

static uint64_t handoff_digest(const void *state)
{
    uint64_t words[WORDS];

    words_of(state, words);
    return hf_words_fold(words, WORDS);
}

static uint64_t handoff_expect(enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    uint64_t words[WORDS];

    expect_words(operands, seed, steps, words);
    return hf_words_fold(words, WORDS);
}

static void handoff_locate(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,
                           struct hf_lane_report *ret_report)
{
    uint64_t expected[WORDS];
    uint64_t got[WORDS];

    words_of(state, got);
    expect_words(operands, seed, steps, expected);
    hf_words_compare(expected, got, WORDS, ret_report);
}

static void handoff_plant(void *state, uint64_t bit)
{
    uint64_t *words = state;

    words[bit / 64 % WORDS] ^= UINT64_C(1) << bit % 64;
}

static void handoff_partnered(const void *opaque_state, uint64_t *ret_met, uint64_t *ret_foreign)
{
    const struct handoff_state *state = opaque_state;

    *ret_met = state->met;
    *ret_foreign = state->foreign;
}

#define HANDOFF_ENTRY(scope_, place_, limit_)                                                                \
    extern const struct hf_kernel hf_reference_handoff_##scope_;                                             \
    const struct hf_kernel hf_reference_handoff_##scope_ = {                                                 \
        .name = "handoff-" #scope_,                                                                          \
        .isa = "reference",                                                                                  \
        .width_bits = 64,                                                                                    \
        .load_class = HF_LOAD_ATOMIC,                                                                        \
        .state_bytes = sizeof(struct handoff_state),                                                         \
        .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,                                                      \
        .live_bits = 64 * WORDS,                                                                             \
        .burst_steps = 60,                                                                                   \
        .operations_per_step = 1,                                                                            \
        .limit = limit_,                                                                                     \
        .start = start_##scope_,                                                                             \
        .advance = advance_##scope_,                                                                         \
        .digest = handoff_digest,                                                                            \
        .expect = handoff_expect,                                                                            \
        .locate = handoff_locate,                                                                            \
        .plant = handoff_plant,                                                                              \
        .partnered = handoff_partnered,                                                                      \
        .scope = place_,                                                                                     \
    };

HANDOFF_ENTRY(group, HF_SCOPE_GROUP, "round trip of a cache line between two cores of a group")
HANDOFF_ENTRY(across, HF_SCOPE_ACROSS, "round trip of a cache line between two groups")
