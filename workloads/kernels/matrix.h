/*
 * matrix: what its entries share. X -> A X modulo p, over and over: A is n x n, X a panel of n rows and
 * `columns` columns, n one of 32, 64, 128, 256, 512 by the block's seed. The product is exact in the entries'
 * element type (double, single, or bytes summed in 32 bits): every sum of n products stays below 2^53, 2^24,
 * 2^31.
 *
 * A = s I + u v^T modulo p, all entries but the diagonal u_i v_j: full matrices, whose powers are known,
 *   A^k = s^k I + g_k u v^T with g_k = ((s + t)^k - s^k) / t, t = v^T u,
 * so every element of the panel after k products is known: s^k X0 + g_k u (v^T X0). s, t and s + t are not 0
 * modulo p: A is invertible, and a wrong element, whether of X, of a sum or of a quotient, is never
 * forgotten.
 *
 * A turn makes one block of `rows` rows of the product, in the other one of two panels; after n / rows of
 * them the panels change places. A step is HF_MATRIX_SIZE_MAX / n turns: the same work at every size. Live
 * are all of the old panel and the rows that the new one has so far.
 *
 * A lies outside the state, in a store that start() fills for (element type, size, operand set) and that
 * lives on: 2 MB at n = 512 in double precision, the size of a second-level cache. A wrong element there is
 * seen in each block that uses it, until another operand set refills the store.
 *
 * Words of a state: turns, size, flaw, and the live elements, each a residue in [0, p).
 */
#ifndef HOLDFAST_WORKLOADS_MATRIX_H
#define HOLDFAST_WORKLOADS_MATRIX_H

#include "workloads/arithmetic.h"
#include "workloads/kernels/kernel_code.h"

#define HF_MATRIX_SIZES       5
#define HF_MATRIX_SIZE_MAX    512
#define HF_MATRIX_COLUMNS_MAX 32
#define HF_MATRIX_HEAD        64 /* bytes before the panels */

/* A sample of what is live (see plant): testing each of a million bits would take too long. */
#define HF_MATRIX_LIVE_BITS 256

enum hf_matrix_element {
    HF_MATRIX_DOUBLE, /* p = 2^20 - 3 */
    HF_MATRIX_SINGLE, /* p = 127 */
    HF_MATRIX_BYTE,   /* p = 251 */
    HF_MATRIX_ELEMENTS
};

struct hf_matrix_shape {
    enum hf_matrix_element element;
    int rows;    /* of a turn */
    int columns; /* of the panels */
};

extern const struct hf_matrix_shape hf_matrix_256, hf_matrix_512, hf_matrix_single_256, hf_matrix_single_512,
    hf_matrix_byte_512;

/* How an entry lays out what it works on. Plain C: residues. Vectors: A as balanced numbers of the element
 * type, the panels as balanced whole numbers (bytes: residues). Panels have 32 bits an element, or 8. */
enum hf_matrix_layout {
    HF_MATRIX_PLAIN,
    HF_MATRIX_VECTOR,
    HF_MATRIX_LAYOUTS
};

struct hf_matrix_state {
    uint64_t turns;
    uint64_t size; /* a draw of 8: see hf_matrix_size_index() */
    uint64_t flaw;
    uint64_t unused[5];
    unsigned char panels[]; /* two of HF_MATRIX_SIZE_MAX x columns elements */
};

#define HF_MATRIX_STATE_BYTES(columns, element_bytes)                                                        \
    (HF_MATRIX_HEAD + 2 * (size_t)HF_MATRIX_SIZE_MAX * (columns) * (element_bytes))

/* Which of the sizes 32 << 0 .. 4 a draw (its lowest three bits) means: 32 and 512 once of eight, the others
 * twice. */
HF_INLINE unsigned hf_matrix_size_index(uint64_t draw)
{
    return UINT32_C(0x32143210) >> draw % 8 * 4 & 7;
}

HF_INLINE int hf_matrix_size(uint64_t draw)
{
    return 32 << hf_matrix_size_index(draw);
}

/* A's of this thread, by height of a block of rows (4 or 8) and size: in blocks of `rows` rows; within a
 * block the columns one after the other, each with its `rows` elements (bytes: four columns at a time, four
 * bytes a row). NULL before start() has asked for it. */
extern _Thread_local void *hf_matrix_stores[HF_MATRIX_ELEMENTS][HF_MATRIX_LAYOUTS][2][HF_MATRIX_SIZES];

HF_INLINE const void *hf_matrix_store(enum hf_matrix_element element, enum hf_matrix_layout layout, int rows,
                                      uint64_t size)
{
    return hf_matrix_stores[element][layout][rows / 8][hf_matrix_size_index(size)];
}

/* For tests: another matrix in place of A; value(i, j) in [0, p). */
void hf_matrix_store_fill(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout, uint64_t size,
                          uint32_t (*value)(int i, int j));

uint32_t hf_matrix_prime(enum hf_matrix_element element);

/* Element (row, column) of a panel as a residue; what cannot be has HF_WORD_IMPOSSIBLE. */
uint64_t hf_matrix_word(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout,
                        const struct hf_matrix_state *state, int panel, int row, int column);
void hf_matrix_put(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout,
                   struct hf_matrix_state *state, int panel, int row, int column, uint32_t residue);

void hf_matrix_start(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout, void *state,
                     enum hf_operands operands, uint64_t seed);
uint64_t hf_matrix_digest(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout,
                          const void *state);
uint64_t hf_matrix_expect(const struct hf_matrix_shape *shape, enum hf_operands operands, uint64_t seed,
                          uint64_t steps);
void hf_matrix_locate(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout, const void *state,
                      enum hf_operands operands, uint64_t seed, uint64_t steps,
                      struct hf_lane_report *ret_report);
void hf_matrix_plant(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout, void *state,
                     uint64_t bit);

/* The functions of an entry, given its shape and layout; expect is shared by all entries of a shape. */
#define HF_MATRIX_FUNCTIONS(shape, layout)                                                                   \
    static void shape##_start(void *state, enum hf_operands operands, uint64_t seed)                         \
    {                                                                                                        \
        hf_matrix_start(&shape, layout, state, operands, seed);                                              \
    }                                                                                                        \
    static uint64_t shape##_digest(const void *state)                                                        \
    {                                                                                                        \
        return hf_matrix_digest(&shape, layout, state);                                                      \
    }                                                                                                        \
    static uint64_t shape##_expect(enum hf_operands operands, uint64_t seed, uint64_t steps)                 \
    {                                                                                                        \
        return hf_matrix_expect(&shape, operands, seed, steps);                                              \
    }                                                                                                        \
    static void shape##_locate(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,  \
                               struct hf_lane_report *ret_report)                                            \
    {                                                                                                        \
        hf_matrix_locate(&shape, layout, state, operands, seed, steps, ret_report);                          \
    }                                                                                                        \
    static void shape##_plant(void *state, uint64_t bit)                                                     \
    {                                                                                                        \
        hf_matrix_plant(&shape, layout, state, bit);                                                         \
    }

#endif
