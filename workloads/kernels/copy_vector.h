/*
 * The body of a vector entry of copy. The including file defines VECTOR, VECTOR_LANES, V_LOAD and V_LOADU,
 * V_STORE and V_STOREU, V_STREAM (past the caches), V_ADD, V_OR, V_XOR, V_SET(word).
 *
 * Live in registers: the sums, the flaw, and within a row its words.
 */
#define PARTS (HF_COPY_LANES / VECTOR_LANES) /* vectors of a row */

enum how {
    ALIGNED,
    UNALIGNED,
    PAST_CACHES
};

HF_INLINE void put(char *to, VECTOR words, enum how how)
{
    if (how == UNALIGNED)
        V_STOREU(to, words);
    else if (how == PAST_CACHES)
        V_STREAM(to, words);
    else
        V_STORE(to, words);
}

/* One chunk; sums NULL: nothing is summed. Sources may always be unaligned. */
HF_INLINE void move(char *to, const char *from, enum how how, VECTOR *one, VECTOR *two)
{
    for (int tier = 0; tier < HF_COPY_TIERS; tier++) {
        HF_UNROLL
        for (int i = 0; i < PARTS * HF_COPY_TIER; i++) {
            VECTOR words = V_LOADU(from + i * (int)sizeof(VECTOR));

            if (one != NULL)
                one[i % PARTS] = V_ADD(one[i % PARTS], words);
            put(to + i * (int)sizeof(VECTOR), words, how);
        }
        HF_UNROLL
        for (int i = 0; i < PARTS && one != NULL; i++)
            two[i] = V_ADD(two[i], one[i]);
        from += HF_COPY_TIER * HF_COPY_LANES * 8;
        to += HF_COPY_TIER * HF_COPY_LANES * 8;
        HF_OPAQUE(to);
    }
}

HF_INLINE void string_bytes(char *to, const char *from)
{
    uint64_t count = HF_COPY_CHUNK_BYTES;

    __asm__ volatile("rep movsb" : "+D"(to), "+S"(from), "+c"(count) : : "memory");
}

HF_INLINE void string_words(char *to, const char *from)
{
    uint64_t count = HF_COPY_CHUNK_WORDS;

    __asm__ volatile("rep movsq" : "+D"(to), "+S"(from), "+c"(count) : : "memory");
}

/* After a summed move: how `one` differs from what is due. */
HF_INLINE VECTOR difference(struct hf_copy_state *state, uint64_t rise, const VECTOR *one)
{
    VECTOR flaw = V_SET(0);

    HF_UNROLL
    for (int i = 0; i < PARTS; i++) {
        uint64_t *due = &state->due[i * VECTOR_LANES];
        VECTOR next = V_ADD(V_ADD(V_LOAD(due), V_LOAD(&state->plain[i * VECTOR_LANES])), V_SET(rise));

        V_STORE(due, next);
        flaw = V_OR(flaw, V_XOR(next, one[i]));
    }
    return flaw;
}

HF_INLINE void moves_before_sums(struct hf_copy_place place, int past_caches)
{
    move(place.spare, place.first, UNALIGNED, NULL, NULL);
    if (past_caches)
        move(place.first, place.second, PAST_CACHES, NULL, NULL);
    else
        move(place.first, place.second, ALIGNED, NULL, NULL);
    string_bytes(place.second, place.spare);
    string_words(place.spare, place.first);
}

HF_KERNEL_CODE static void copy_advance(void *opaque_state, uint64_t steps)
{
    struct hf_copy_state *state = opaque_state;
    const struct hf_arena *arena = &hf_arenas[HF_ARENA_COPY];
    int past_caches = arena->level == HF_LEVEL_MEMORY;
    VECTOR one[PARTS];
    VECTOR two[PARTS];
    VECTOR flaw = V_SET(0);
    uint64_t flaws[VECTOR_LANES] __attribute__((aligned(64)));
    uint64_t counter = state->counter;
    uint64_t up = 0;
    uint64_t down = steps;

    HF_UNROLL
    for (int i = 0; i < PARTS; i++) {
        one[i] = V_LOAD(&state->one[i * VECTOR_LANES]);
        two[i] = V_LOAD(&state->two[i * VECTOR_LANES]);
    }
    while (up < steps && down != 0) {
        struct hf_copy_place place = hf_copy_place(arena, counter);

        moves_before_sums(place, past_caches);
        move(place.first, place.second, ALIGNED, one, two);
        flaw = V_OR(flaw, difference(state, hf_copy_rise(arena, counter, 0), one));
        move(place.second, place.spare, ALIGNED, one, two);
        flaw = V_OR(flaw, difference(state, hf_copy_rise(arena, counter, 1), one));
        counter++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    HF_UNROLL
    for (int i = 0; i < PARTS; i++) {
        V_STORE(&state->one[i * VECTOR_LANES], one[i]);
        V_STORE(&state->two[i * VECTOR_LANES], two[i]);
    }
    V_FENCE();
    V_STORE(flaws, flaw);
    for (int i = 0; i < VECTOR_LANES; i++)
        state->flaw |= flaws[i];
    state->counter = counter;
    state->flaw |= (up ^ steps) | down;
}

static uint64_t copy_limit(int level, uint64_t rounds)
{
    static _Thread_local uint64_t counter; /* on through the arena, not the same few chunks again */
    const struct hf_arena *arena = hf_arena_get(HF_ARENA_COPY, level, HF_OPERANDS_FULL);

    for (uint64_t round = 0; round < rounds; round++) {
        struct hf_copy_place place = hf_copy_place(arena, counter++);

        moves_before_sums(place, level == HF_LEVEL_MEMORY);
        move(place.first, place.second, ALIGNED, NULL, NULL);
        move(place.second, place.spare, ALIGNED, NULL, NULL);
    }
    V_FENCE();
    return rounds * HF_COPY_MOVES * (HF_COPY_CHUNK_BYTES / 64);
}

#define ADVANCE copy_advance
#define LIMIT   copy_limit
#define LIVE    (HF_LIVE_VECTOR | HF_LIVE_MEMORY)
#include "workloads/kernels/copy_entries.h"

#undef PARTS
