/*
 * Rotations where no instruction rotates: by 16 and 8 as a shuffle of bytes, whose pattern lives in a
 * register, by 12 and 7 as two shifts and an or. The including file defines V_SET_BYTES(low, high),
 * V_SHUFFLE_BYTES(a, pattern), V_LEFT(a, n), V_RIGHT(a, n), V_OR(a, b) beside the macros of
 * vector_integer_vector.h. An exclusive or would do the same as the or: a wrong bit of either part is a wrong
 * bit of the sum of both.
 */
#define SHIFTS2(name, width) name##_##width
#define SHIFTS1(name, width) SHIFTS2(name, width)
#define SHIFTS(name)         SHIFTS1(name, WIDTH)

struct SHIFTS(rotations) {
    VECTOR by_16, by_8;
};

#define PATTERN_16_LOW  UINT64_C(0x0504070601000302)
#define PATTERN_16_HIGH UINT64_C(0x0d0c0f0e09080b0a)
#define PATTERN_8_LOW   UINT64_C(0x0605040702010003)
#define PATTERN_8_HIGH  UINT64_C(0x0e0d0c0f0a09080b)

HF_INLINE struct SHIFTS(rotations) SHIFTS(rotations_set)(void)
{
    struct SHIFTS(rotations)
        r = {V_SET_BYTES(PATTERN_16_LOW, PATTERN_16_HIGH), V_SET_BYTES(PATTERN_8_LOW, PATTERN_8_HIGH)};

    V_OPAQUE(r.by_16);
    V_OPAQUE(r.by_8);
    return r;
}

/* Did a pattern change while it lived in a register? The bits that did. */
HF_INLINE uint64_t SHIFTS(rotations_changed)(const struct SHIFTS(rotations) * r)
{
    _Alignas(64) uint64_t by_16[VECTOR_WORDS], by_8[VECTOR_WORDS];
    uint64_t difference = 0;

    V_STORE(by_16, r->by_16);
    V_STORE(by_8, r->by_8);
    for (int i = 0; i < VECTOR_WORDS; i++) {
        difference |= by_16[i] ^ (i % 2 ? PATTERN_16_HIGH : PATTERN_16_LOW);
        difference |= by_8[i] ^ (i % 2 ? PATTERN_8_HIGH : PATTERN_8_LOW);
    }
    return difference;
}

#define ROTATIONS            struct SHIFTS(rotations)
#define ROTATIONS_SET()      SHIFTS(rotations_set)()
#define ROTATIONS_CHANGED(r) SHIFTS(rotations_changed)(&(r))
#define V_ROTATE_16(a, r)    V_SHUFFLE_BYTES((a), (r).by_16)
#define V_ROTATE_12(a, r)    V_OR(V_LEFT((a), 12), V_RIGHT((a), 20))
#define V_ROTATE_8(a, r)     V_SHUFFLE_BYTES((a), (r).by_8)
#define V_ROTATE_7(a, r)     V_OR(V_LEFT((a), 7), V_RIGHT((a), 25))
#define ROW_OPERATIONS       38
#include "workloads/kernels/vector_integer_vector.h"

#undef SHIFTS2
#undef SHIFTS1
#undef SHIFTS
#undef PATTERN_16_LOW
#undef PATTERN_16_HIGH
#undef PATTERN_8_LOW
#undef PATTERN_8_HIGH
#undef V_SET_BYTES
#undef V_SHUFFLE_BYTES
#undef V_LEFT
#undef V_RIGHT
#undef V_OR
