/*
 * matrix: the store of A, starting values, the closed form, and the plain C entries. See matrix.h.
 *
 * Masked errors, and what catches them:
 *   - a quotient of the reduction modulo p wrong by a whole number leaves the residue right, but not in its
 * range,
 *     [-(p - 1) / 2, (p - 1) / 2] (bytes: below 2^8): each is compared with the ends; the flaw word keeps it.
 * The right quotient has no choice: the rounding error is below 1 / (2 p).
 *   - a sum wrong by a multiple of p: no single bit does that.
 *   - bits of a fraction in a register, or in A, are rounded away by the next sum: they change no result.
 * Panels are kept as whole numbers, which have no such bits.
 *   - rows of the new panel that are still to come hold what the product before the last left there: not
 * live.
 *
 * Tests check the product itself, with matrices that have no structure, by the checksums of rows and columns
 * (Huang and Abraham 1984) and by a random vector (Freivalds 1977).
 *
 * Operand sets: u and v, hence A, are small, sparse or full of ones as the set says, and so is the panel when
 * a block begins; after one product the panel's elements are as good as random modulo p.
 */
#include <assert.h>
#include <string.h>

#include "base/memory.h"
#include "workloads/kernels/matrix.h"

static const uint32_t primes[HF_MATRIX_ELEMENTS] = {1048573, 127, 251};

const struct hf_matrix_shape hf_matrix_256 = {HF_MATRIX_DOUBLE, 4, 12};
const struct hf_matrix_shape hf_matrix_512 = {HF_MATRIX_DOUBLE, 8, 16};
const struct hf_matrix_shape hf_matrix_single_256 = {HF_MATRIX_SINGLE, 4, 24};
const struct hf_matrix_shape hf_matrix_single_512 = {HF_MATRIX_SINGLE, 8, 32};
const struct hf_matrix_shape hf_matrix_byte_512 = {HF_MATRIX_BYTE, 8, 32};

_Thread_local void *hf_matrix_stores[HF_MATRIX_ELEMENTS][HF_MATRIX_LAYOUTS][2][HF_MATRIX_SIZES];

/* Whose A each store holds: operand set plus 1; 0: nobody's, or a test's. */
static _Thread_local int owners[HF_MATRIX_ELEMENTS][HF_MATRIX_LAYOUTS][2][HF_MATRIX_SIZES];

uint32_t hf_matrix_prime(enum hf_matrix_element element)
{
    return primes[element];
}

/* --- elements --- */

/* Of A; the panels' are of 4 bytes, or 1. */
static size_t element_bytes(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout)
{
    static const size_t of_vectors[HF_MATRIX_ELEMENTS] = {8, 4, 1};

    return layout == HF_MATRIX_PLAIN ? 4 : of_vectors[shape->element];
}

static size_t panel_element_bytes(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout)
{
    return layout == HF_MATRIX_VECTOR && shape->element == HF_MATRIX_BYTE ? 1 : 4;
}

static int32_t balanced(uint32_t residue, uint32_t prime)
{
    return residue > prime / 2 ? (int32_t)residue - (int32_t)prime : (int32_t)residue;
}

/* Of A. */
static void element_put(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout, void *elements,
                        size_t index, uint32_t residue)
{
    int32_t number = balanced(residue, primes[shape->element]);

    if (layout == HF_MATRIX_PLAIN)
        ((uint32_t *)elements)[index] = residue;
    else if (shape->element == HF_MATRIX_DOUBLE)
        ((double *)elements)[index] = number;
    else if (shape->element == HF_MATRIX_SINGLE)
        ((float *)elements)[index] = (float)number;
    else
        ((int8_t *)elements)[index] = (int8_t)number;
}

/* Four rows' bytes of a column lie side by side. */
static size_t panel_index(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout, int panel,
                          int row, int column)
{
    int group = shape->element == HF_MATRIX_BYTE && layout == HF_MATRIX_VECTOR ? 4 : 1;
    int within = (row / group * shape->columns + column) * group + row % group;

    return (size_t)(panel * HF_MATRIX_SIZE_MAX * shape->columns + within);
}

void hf_matrix_put(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout,
                   struct hf_matrix_state *state, int panel, int row, int column, uint32_t residue)
{
    size_t index = panel_index(shape, layout, panel, row, column);

    if (layout == HF_MATRIX_PLAIN)
        ((uint32_t *)(void *)state->panels)[index] = residue;
    else if (shape->element == HF_MATRIX_BYTE)
        state->panels[index] = (uint8_t)residue;
    else
        ((int32_t *)(void *)state->panels)[index] = balanced(residue, primes[shape->element]);
}

HF_INLINE uint64_t word_of_residue(uint32_t residue, uint32_t prime)
{
    return residue < prime ? residue : residue | HF_WORD_IMPOSSIBLE;
}

/* Of a balanced number; no branch on the sign, which is random. */
HF_INLINE uint64_t word_of_number(int32_t number, uint32_t prime)
{
    uint32_t residue = (uint32_t)number + (prime & (0 - ((uint32_t)number >> 31)));

    if (number > (int32_t)(prime / 2) || number < -(int32_t)(prime / 2))
        return (uint32_t)number | HF_WORD_IMPOSSIBLE;
    return residue;
}

/* Panels hold whole numbers in any layout: no bit of a fraction that the next sum would round away. */
HF_INLINE uint64_t word_at(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout,
                           const struct hf_matrix_state *state, size_t index)
{
    uint32_t prime = primes[shape->element];

    if (layout == HF_MATRIX_PLAIN)
        return word_of_residue(((const uint32_t *)(const void *)state->panels)[index], prime);
    if (shape->element == HF_MATRIX_BYTE)
        return word_of_residue(state->panels[index], prime);
    return word_of_number(((const int32_t *)(const void *)state->panels)[index], prime);
}

uint64_t hf_matrix_word(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout,
                        const struct hf_matrix_state *state, int panel, int row, int column)
{
    return word_at(shape, layout, state, panel_index(shape, layout, panel, row, column));
}

/* --- A --- */

#define WORD_BITS 21 /* three in a random word */
#define WORD_MASK ((UINT32_C(1) << WORD_BITS) - 1)

/* In [1, p), from WORD_BITS random bits. */
HF_INLINE uint32_t vector_word(enum hf_operands operands, uint32_t word, uint32_t prime)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return 1 + word % 3;
    case HF_OPERANDS_SPARSE:
        return 1u << word % (prime > 1000 ? 19 : 6);
    case HF_OPERANDS_CARRY:
        return prime / 2 - word % 4;
    default:
        return 1 + (uint32_t)((uint64_t)word * (prime - 1) >> WORD_BITS);
    }
}

struct factors {
    uint32_t u[HF_MATRIX_SIZE_MAX], v[HF_MATRIX_SIZE_MAX];
    uint32_t s, t;
};

/* A function of element type, n and operand set. t is made 1 at least; s the first that will do. */
static void factors_make(enum hf_matrix_element element, int n, enum hf_operands operands,
                         struct factors *ret_factors)
{
    uint32_t prime = primes[element];
    uint64_t seed = (uint64_t)n << 8 | (uint64_t)operands;
    uint64_t t = 0;

    for (int i = 0; i < n; i++) {
        ret_factors->u[i] =
            vector_word(operands, (uint32_t)hf_seed_word(seed, (uint64_t)i) & WORD_MASK, prime);
        ret_factors->v[i] =
            vector_word(operands, (uint32_t)hf_seed_word(seed, 1024 + (uint64_t)i) & WORD_MASK, prime);
        t += (uint64_t)ret_factors->u[i] * ret_factors->v[i];
    }
    if (t % prime == 0) {
        t -= (uint64_t)ret_factors->u[0] * ret_factors->v[0];
        ret_factors->v[0] = ret_factors->v[0] % (prime - 1) + 1; /* another one, not 0 */
        t += (uint64_t)ret_factors->u[0] * ret_factors->v[0];
    }
    ret_factors->t = (uint32_t)(t % prime);
    ret_factors->s = 2;
    while ((ret_factors->s + ret_factors->t) % prime == 0)
        ret_factors->s++;
}

/* Element (i, j) into its place: see hf_matrix_stores. */
static void store_put(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout, void *elements,
                      int n, int i, int j, uint32_t residue)
{
    int group = shape->element == HF_MATRIX_BYTE && layout == HF_MATRIX_VECTOR ? 4 : 1;
    int block = i / shape->rows;
    int index = ((block * (n / group) + j / group) * shape->rows + i % shape->rows) * group + j % group;

    element_put(shape, layout, elements, (size_t)index, residue);
}

/* Kept for the process. */
static void *store_ready(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout, uint64_t size)
{
    void **place = &hf_matrix_stores[shape->element][layout][shape->rows / 8][hf_matrix_size_index(size)];
    size_t n = (size_t)hf_matrix_size(size);

    if (*place == NULL)
        *place = hf_allocate(n * n, element_bytes(shape, layout));
    assert(*place != NULL);
    return *place;
}

static void store_make(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout, uint64_t size,
                       enum hf_operands operands)
{
    int *owner = &owners[shape->element][layout][shape->rows / 8][hf_matrix_size_index(size)];
    void *elements = store_ready(shape, layout, size);
    uint32_t prime = primes[shape->element];
    int n = hf_matrix_size(size);
    struct factors factors;

    if (*owner == (int)operands + 1)
        return;
    factors_make(shape->element, n, operands, &factors);
    for (int i = 0; i < n; i++) {
        for (int j = 0; j < n; j++) {
            uint64_t product = (uint64_t)factors.u[i] * factors.v[j] + (i == j ? factors.s : 0);

            store_put(shape, layout, elements, n, i, j, (uint32_t)(product % prime));
        }
    }
    *owner = (int)operands + 1;
}

void hf_matrix_store_fill(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout, uint64_t size,
                          uint32_t (*value)(int i, int j))
{
    void *elements = store_ready(shape, layout, size);
    int n = hf_matrix_size(size);

    for (int i = 0; i < n; i++) {
        for (int j = 0; j < n; j++)
            store_put(shape, layout, elements, n, i, j, value(i, j));
    }
    owners[shape->element][layout][shape->rows / 8][hf_matrix_size_index(size)] = 0;
}

/* --- blocks --- */

/* Divisions by a constant are several times faster than by a variable: one copy of the loops for each prime.
 */
#define FOR_PRIME(element, call)                                                                             \
    do {                                                                                                     \
        if ((element) == HF_MATRIX_DOUBLE)                                                                   \
            call(1048573);                                                                                   \
        else if ((element) == HF_MATRIX_SINGLE)                                                              \
            call(127);                                                                                       \
        else                                                                                                 \
            call(251);                                                                                       \
    } while (0)

HF_INLINE void panel_fill(enum hf_operands operands, uint64_t seed, int count, uint32_t prime,
                          uint32_t *ret_panel)
{
    uint64_t word = 0;

    for (int i = 0; i < count; i++) {
        word = i % 3 == 0 ? hf_seed_word(seed, 4096 + (uint64_t)i / 3) : word >> WORD_BITS;
        ret_panel[i] = vector_word(operands, (uint32_t)word & WORD_MASK, prime);
    }
}

/* The panel that a block begins with; three elements a random word. */
static void panel_make(enum hf_operands operands, uint64_t seed, int count, enum hf_matrix_element element,
                       uint32_t *ret_panel)
{
#define PANEL_FILL(prime) panel_fill(operands, seed, count, prime, ret_panel)
    FOR_PRIME(element, PANEL_FILL);
#undef PANEL_FILL
}

/* Bytes: large matrices mostly, for the reduction of a row's sums takes as long as the products of 24
 * columns. */
static uint64_t size_of_seed(enum hf_matrix_element element, uint64_t seed)
{
    static const uint8_t draws_of_bytes[8] = {3, 4, 3, 4, 3, 2, 1, 0};
    uint64_t draw = hf_seed_word(seed, UINT64_C(0x6d6174)) % 8;

    return element == HF_MATRIX_BYTE ? draws_of_bytes[draw] : draw;
}

void hf_matrix_start(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout, void *opaque_state,
                     enum hf_operands operands, uint64_t seed)
{
    struct hf_matrix_state *state = opaque_state;
    uint64_t size = size_of_seed(shape->element, seed);
    uint32_t panel[HF_MATRIX_SIZE_MAX * HF_MATRIX_COLUMNS_MAX];
    int n = hf_matrix_size(size);

    store_make(shape, layout, size, operands);
    panel_make(operands, seed, n * shape->columns, shape->element, panel);
    memset(state, 0, sizeof *state);
    state->size = size;
    for (int row = 0; row < n; row++) {
        for (int column = 0; column < shape->columns; column++)
            hf_matrix_put(shape, layout, state, 0, row, column, panel[row * shape->columns + column]);
    }
}

/* Which rows are live. */
struct extent {
    int n;
    int done;  /* rows of the new panel */
    int panel; /* the old one */
};

static struct extent extent_of(const struct hf_matrix_shape *shape, uint64_t turns, uint64_t size)
{
    int n = hf_matrix_size(size);
    uint64_t blocks = (uint64_t)(n / shape->rows);

    return (struct extent){n, (int)(turns % blocks) * shape->rows, (int)(turns / blocks % 2)};
}

#define HEAD_WORDS 4 /* with a 0, for words are folded in pairs */

/* Row number `row` of the live ones: those of the old panel, then those of the new one. */
static void state_row(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout,
                      const struct extent *extent, const struct hf_matrix_state *state, int row,
                      uint64_t *ret_words)
{
    int is_new = row >= extent->n;
    int panel = extent->panel ^ is_new;
    size_t first = panel_index(shape, layout, panel, is_new ? row - extent->n : row, 0);
    size_t apart = layout == HF_MATRIX_VECTOR && shape->element == HF_MATRIX_BYTE ? 4 : 1;

    for (int column = 0; column < shape->columns; column++)
        ret_words[column] = word_at(shape, layout, state, first + apart * (size_t)column);
}

/* What the elements are: s^k X0 + g u (v^T X0), for the old panel's power and for the next. */
struct answer {
    uint64_t turns, size;
    int columns;
    enum hf_matrix_element element;
    uint32_t prime;
    struct factors factors;
    uint32_t power[2], weight[2];
    uint32_t projected[HF_MATRIX_COLUMNS_MAX]; /* v^T X0 */
    uint32_t begin[HF_MATRIX_SIZE_MAX * HF_MATRIX_COLUMNS_MAX];
};

static void powers_make(struct answer *answer, int which, uint64_t k)
{
    uint32_t prime = answer->prime;
    uint64_t s_power = hf_power_mod(answer->factors.s, k, prime);
    uint64_t sum_power = hf_power_mod((answer->factors.s + answer->factors.t) % prime, k, prime);
    uint64_t inverse = hf_power_mod(answer->factors.t, prime - 2, prime);

    answer->power[which] = (uint32_t)s_power;
    answer->weight[which] = (uint32_t)((sum_power + prime - s_power) % prime * inverse % prime);
}

static void answer_make(const struct hf_matrix_shape *shape, enum hf_operands operands, uint64_t seed,
                        uint64_t steps, struct answer *ret_answer)
{
    uint64_t size = size_of_seed(shape->element, seed);
    int n = hf_matrix_size(size);
    uint64_t turns = steps * (uint64_t)(HF_MATRIX_SIZE_MAX / n);
    uint64_t products = turns / (uint64_t)(n / shape->rows);
    uint64_t sum[HF_MATRIX_COLUMNS_MAX] = {0};

    assert(steps < UINT64_MAX / HF_MATRIX_SIZE_MAX && shape->columns <= HF_MATRIX_COLUMNS_MAX);
    ret_answer->turns = turns;
    ret_answer->size = size;
    ret_answer->columns = shape->columns;
    ret_answer->element = shape->element;
    ret_answer->prime = primes[shape->element];
    factors_make(shape->element, n, operands, &ret_answer->factors);
    powers_make(ret_answer, 0, products);
    powers_make(ret_answer, 1, products + 1);
    panel_make(operands, seed, n * shape->columns, shape->element, ret_answer->begin);
    for (int row = 0; row < n; row++) {
        for (int column = 0; column < shape->columns; column++)
            sum[column] +=
                (uint64_t)ret_answer->factors.v[row] * ret_answer->begin[row * shape->columns + column];
    }
    for (int column = 0; column < shape->columns; column++)
        ret_answer->projected[column] = (uint32_t)(sum[column] % ret_answer->prime);
}

HF_INLINE void answer_fill(const struct answer *answer, const struct extent *extent, int row, uint32_t prime,
                           uint64_t *ret_words)
{
    int is_new = row >= extent->n;
    int in_panel = is_new ? row - extent->n : row;
    uint64_t power = answer->power[is_new];
    uint64_t along = (uint64_t)answer->weight[is_new] * answer->factors.u[in_panel] % prime;

    for (int column = 0; column < answer->columns; column++)
        ret_words[column] =
            (power * answer->begin[in_panel * answer->columns + column] + along * answer->projected[column]) %
            prime;
}

static void answer_row(const struct answer *answer, const struct extent *extent, int row, uint64_t *ret_words)
{
#define ANSWER_FILL(prime) answer_fill(answer, extent, row, prime, ret_words)
    FOR_PRIME(answer->element, ANSWER_FILL);
#undef ANSWER_FILL
}

/* As hf_words_fold(), lighter, for there may be 32768 words, and in two halves side by side. Each step is a
 * bijection of the fold and of the word: any single wrong word changes the result. */
static uint64_t fold_word(uint64_t fold, uint64_t word)
{
    fold = (fold ^ word) * UINT64_C(0xd1342543de82ef95); /* odd (Steele and Vigna 2021, table 5) */
    return fold ^ fold >> 32;
}

struct fold {
    uint64_t even, odd;
};

static void fold_words(struct fold *fold, const uint64_t *words, int count)
{
    uint64_t even = fold->even;
    uint64_t odd = fold->odd;

    for (int i = 0; i + 1 < count; i += 2) {
        even = fold_word(even, words[i]);
        odd = fold_word(odd, words[i + 1]);
    }
    *fold = (struct fold){even, odd};
}

uint64_t hf_matrix_digest(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout,
                          const void *opaque_state)
{
    const struct hf_matrix_state *state = opaque_state;
    struct extent extent = extent_of(shape, state->turns, state->size);
    uint64_t words[HF_MATRIX_COLUMNS_MAX] = {state->turns, state->size, state->flaw};
    struct fold fold = {1, 2};

    fold_words(&fold, words, HEAD_WORDS);
    for (int row = 0; row < extent.n + extent.done; row++) {
        state_row(shape, layout, &extent, state, row, words);
        fold_words(&fold, words, shape->columns);
    }
    return fold_word(fold.even, fold.odd);
}

uint64_t hf_matrix_expect(const struct hf_matrix_shape *shape, enum hf_operands operands, uint64_t seed,
                          uint64_t steps)
{
    struct answer answer;
    struct extent extent;
    uint64_t words[HF_MATRIX_COLUMNS_MAX] = {0};
    struct fold fold = {1, 2};

    answer_make(shape, operands, seed, steps, &answer);
    extent = extent_of(shape, answer.turns, answer.size);
    words[0] = answer.turns;
    words[1] = answer.size;
    fold_words(&fold, words, HEAD_WORDS);
    for (int row = 0; row < extent.n + extent.done; row++) {
        answer_row(&answer, &extent, row, words);
        fold_words(&fold, words, shape->columns);
    }
    return fold_word(fold.even, fold.odd);
}

/* Lanes: turns, size, flaw, nothing, then the elements. */
void hf_matrix_locate(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout,
                      const void *opaque_state, enum hf_operands operands, uint64_t seed, uint64_t steps,
                      struct hf_lane_report *ret_report)
{
    const struct hf_matrix_state *state = opaque_state;
    uint64_t expected[HF_MATRIX_COLUMNS_MAX] = {0}, got[HF_MATRIX_COLUMNS_MAX] = {0};
    struct answer answer;
    struct extent extent;

    answer_make(shape, operands, seed, steps, &answer);
    extent = extent_of(shape, answer.turns, answer.size);
    expected[0] = answer.turns;
    expected[1] = answer.size;
    got[0] = state->turns;
    got[1] = state->size;
    got[2] = state->flaw;
    hf_words_compare(expected, got, HEAD_WORDS, ret_report);
    for (int row = 0; row < extent.n + extent.done && ret_report->lane < 0; row++) {
        answer_row(&answer, &extent, row, expected);
        state_row(shape, layout, &extent, state, row, got);
        hf_words_compare(expected, got, shape->columns, ret_report);
        if (ret_report->lane >= 0)
            ret_report->lane += HEAD_WORDS + row * shape->columns;
    }
}

/* Bits 0 to 191 are those of the head, any other, also beyond live_bits, falls somewhere on the live
 * elements. */
void hf_matrix_plant(const struct hf_matrix_shape *shape, enum hf_matrix_layout layout, void *opaque_state,
                     uint64_t bit)
{
    struct hf_matrix_state *state = opaque_state;
    struct extent extent = extent_of(shape, state->turns, state->size);
    size_t element_bits = 8 * panel_element_bytes(shape, layout);
    uint64_t rows = (uint64_t)(extent.n + extent.done);
    uint64_t spread = bit * UINT64_C(0x9e3779b97f4a7c15) >> 20;
    int row = (int)(spread % rows);
    int column = (int)(spread / rows % (uint64_t)shape->columns);
    size_t index;

    if (bit < 192) {
        (bit < 64 ? &state->turns : (bit < 128 ? &state->size : &state->flaw))[0] ^= UINT64_C(1) << bit % 64;
        return;
    }
    index = panel_index(shape, layout, extent.panel ^ (row >= extent.n), row % extent.n, column) *
                (element_bits / 8) +
            bit % element_bits / 8;
    state->panels[index] = (unsigned char)(state->panels[index] ^ 1u << bit % 8);
}

/* --- the plain C entries --- */

/* A corrupted element wraps, it does not overflow. */
HF_INLINE void plain_turn(struct hf_matrix_state *state, const uint32_t *a, int rows, int columns,
                          uint32_t prime)
{
    int n = hf_matrix_size(state->size);
    uint64_t blocks = (uint64_t)(n / rows);
    int block = (int)(state->turns % blocks);
    int panel = (int)(state->turns / blocks % 2);
    const uint32_t *old =
        (const uint32_t *)(const void *)state->panels + panel * HF_MATRIX_SIZE_MAX * columns;
    uint32_t *new = (uint32_t *)(void *)state->panels + !panel *HF_MATRIX_SIZE_MAX *columns;

    for (int row = 0; row < rows; row++) {
        uint64_t sum[HF_MATRIX_COLUMNS_MAX];

        for (int column = 0; column < columns; column++)
            sum[column] = 0;
        for (int k = 0; k < n; k++) {
            uint64_t factor = a[(block * n + k) * rows + row];

            for (int column = 0; column < columns; column++)
                sum[column] += factor * old[k * columns + column];
        }
        for (int column = 0; column < columns; column++)
            new[(block * rows + row) * columns + column] = (uint32_t)(sum[column] % prime);
    }
    state->turns++;
}

HF_INLINE void plain_advance(struct hf_matrix_state *state, enum hf_matrix_element element, int rows,
                             int columns, uint32_t prime, uint64_t steps)
{
    const uint32_t *a = hf_matrix_store(element, HF_MATRIX_PLAIN, rows, state->size);
    int turns = HF_MATRIX_SIZE_MAX / hf_matrix_size(state->size);
    uint64_t up = 0;
    uint64_t down = steps;

    while (a != NULL && up < steps && down != 0) {
        for (int turn = 0; turn < turns; turn++)
            plain_turn(state, a, rows, columns, prime);
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down; /* without A: no step was taken */
}

/* Plain C runs on scalar multipliers whatever width it stands in for. */
#define PLAIN_ENTRY(shape, kernel_name, width, type, height, breadth, modulus)                               \
    HF_MATRIX_FUNCTIONS(shape, HF_MATRIX_PLAIN)                                                              \
    HF_KERNEL_CODE static void shape##_advance(void *state, uint64_t steps)                                  \
    {                                                                                                        \
        plain_advance(state, type, height, breadth, modulus, steps);                                         \
    }                                                                                                        \
    extern const struct hf_kernel shape##_reference;                                                         \
    const struct hf_kernel shape##_reference = {                                                             \
        .name = kernel_name,                                                                                 \
        .isa = "reference",                                                                                  \
        .width_bits = (width),                                                                               \
        .load_class = HF_LOAD_MULTIPLY,                                                                      \
        .state_bytes = HF_MATRIX_STATE_BYTES(breadth, 4),                                                    \
        .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,                                                      \
        .live_bits = HF_MATRIX_LIVE_BITS,                                                                    \
        .burst_steps = 1,                                                                                    \
        .operations_per_step = (double)HF_MATRIX_SIZE_MAX * (height) * (breadth),                            \
        .limit = "integer multiply issue",                                                                   \
        .start = shape##_start,                                                                              \
        .advance = shape##_advance,                                                                          \
        .digest = shape##_digest,                                                                            \
        .expect = shape##_expect,                                                                            \
        .locate = shape##_locate,                                                                            \
        .plant = shape##_plant,                                                                              \
    };

PLAIN_ENTRY(hf_matrix_256, "matrix", 256, HF_MATRIX_DOUBLE, 4, 12, 1048573)
PLAIN_ENTRY(hf_matrix_512, "matrix", 512, HF_MATRIX_DOUBLE, 8, 16, 1048573)
PLAIN_ENTRY(hf_matrix_single_256, "matrix-single", 256, HF_MATRIX_SINGLE, 4, 24, 127)
PLAIN_ENTRY(hf_matrix_single_512, "matrix-single", 512, HF_MATRIX_SINGLE, 8, 32, 127)
PLAIN_ENTRY(hf_matrix_byte_512, "matrix-byte", 512, HF_MATRIX_BYTE, 8, 32, 251)
