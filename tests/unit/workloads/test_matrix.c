/*
 * matrix: the product itself by checksums (Huang and Abraham 1984) and random vectors (Freivalds 1977), with
 * matrices that have no structure; the closed form by repeated squaring; every size; planted bits all over
 * the panels.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "holdfast/kernel.h"
#include "holdfast/random.h"
#include "workloads/kernels/matrix.h"

#define SEED UINT64_C(20261127)
#define ROOM 262144

static const struct {
    const char *name;
    int width_bits;
    const struct hf_matrix_shape *shape;
} subjects[] = {
    {"matrix", 256, &hf_matrix_256},
    {"matrix", 512, &hf_matrix_512},
    {"matrix-single", 256, &hf_matrix_single_256},
    {"matrix-single", 512, &hf_matrix_single_512},
    {"matrix-byte", 512, &hf_matrix_byte_512},
};

#define SUBJECTS ((int)(sizeof subjects / sizeof subjects[0]))

static _Alignas(64) unsigned char room[ROOM];
static _Alignas(64) unsigned char damaged[ROOM];
static struct hf_matrix_state *const state = (void *)room;

/* --- a subject's entry, or its reference --- */

struct entry {
    const struct hf_kernel *kernel;
    const struct hf_matrix_shape *shape;
    enum hf_matrix_layout layout;
    uint64_t prime;
};

static struct entry entry_of(int subject, int reference)
{
    struct entry entry = {.shape = subjects[subject].shape};

    entry.kernel = reference ? hf_kernel_reference(subjects[subject].name, subjects[subject].width_bits)
                             : hf_kernel_find(subjects[subject].name, subjects[subject].width_bits);
    entry.layout = strcmp(entry.kernel->isa, "reference") == 0 ? HF_MATRIX_PLAIN : HF_MATRIX_VECTOR;
    entry.prime = hf_matrix_prime(entry.shape->element);
    assert_true(entry.kernel->state_bytes <= ROOM);
    return entry;
}

/* A seed whose blocks have n rows. */
static uint64_t seed_of_size(const struct entry *entry, int n, uint64_t from)
{
    for (;; from++) {
        entry->kernel->start(state, HF_OPERANDS_FULL, from);
        if (hf_matrix_size(state->size) == n)
            return from;
    }
}

/* --- the product, with any matrix --- */

static uint32_t random_a[HF_MATRIX_SIZE_MAX][HF_MATRIX_SIZE_MAX];

static uint32_t random_value(int i, int j)
{
    return random_a[i][j];
}

/* Residues of the panel's n x columns elements. */
static uint64_t panel[2][HF_MATRIX_SIZE_MAX][HF_MATRIX_COLUMNS_MAX];

static void panel_read(const struct entry *entry, int n, int which)
{
    for (int i = 0; i < n; i++) {
        for (int c = 0; c < entry->shape->columns; c++) {
            panel[which][i][c] = hf_matrix_word(entry->shape, entry->layout, state, which, i, c);
            assert_true(panel[which][i][c] < entry->prime);
        }
    }
}

/* Columns whose sum is not that of the checksum row: (1^T A) X = 1^T Y. */
static int wrong_columns(const struct entry *entry, int n, int *ret_column)
{
    int wrong = 0;

    for (int c = 0; c < entry->shape->columns; c++) {
        uint64_t expected = 0, got = 0;

        for (int k = 0; k < n; k++) {
            uint64_t checksum = 0;

            for (int i = 0; i < n; i++)
                checksum += random_a[i][k];
            expected += checksum % entry->prime * panel[0][k][c] % entry->prime;
            got += panel[1][k][c];
        }
        if (expected % entry->prime != got % entry->prime) {
            wrong++;
            *ret_column = c;
        }
    }
    return wrong;
}

/* Rows of A (X r) = Y r that are wrong; r all ones is the checksum column, r random Freivalds' vector. */
static int wrong_rows(const struct entry *entry, int n, const uint64_t *r, int *ret_row)
{
    uint64_t through[HF_MATRIX_SIZE_MAX];
    int wrong = 0;

    for (int k = 0; k < n; k++) {
        through[k] = 0;
        for (int c = 0; c < entry->shape->columns; c++)
            through[k] += panel[0][k][c] * r[c] % entry->prime;
        through[k] %= entry->prime;
    }
    for (int i = 0; i < n; i++) {
        uint64_t expected = 0, got = 0;

        for (int k = 0; k < n; k++)
            expected += random_a[i][k] * through[k] % entry->prime;
        for (int c = 0; c < entry->shape->columns; c++)
            got += panel[1][i][c] * r[c] % entry->prime;
        if (expected % entry->prime != got % entry->prime) {
            wrong++;
            *ret_row = i;
        }
    }
    return wrong;
}

/* X random, A random or at the ends of its range; one product; a wrong element planted in it is found where
 * it is. */
static void check_product(const struct entry *entry, int n, int at_ends, struct hf_random *random)
{
    uint64_t ones[HF_MATRIX_COLUMNS_MAX], vector[HF_MATRIX_COLUMNS_MAX];
    uint32_t end = (uint32_t)(entry->prime / 2);
    int row = -1, column = -1, bad_row, bad_column;

    (void)seed_of_size(entry, n, 0);
    for (int i = 0; i < n; i++) {
        for (int j = 0; j < n; j++)
            random_a[i][j] = at_ends ? end : (uint32_t)hf_random_below(random, entry->prime);
        for (int c = 0; c < entry->shape->columns; c++)
            hf_matrix_put(entry->shape, entry->layout, state, 0, i, c,
                          at_ends ? end + (uint32_t)(c % 2)
                                  : (uint32_t)hf_random_below(random, entry->prime));
    }
    for (int c = 0; c < entry->shape->columns; c++) {
        ones[c] = 1;
        vector[c] = hf_random_below(random, entry->prime);
    }
    hf_matrix_store_fill(entry->shape, entry->layout, state->size, random_value);
    panel_read(entry, n, 0);
    /* steps of 512 / n turns, n / rows turns a product: as many steps as it takes, or one that is several
     * products */
    for (int turn = 0; turn < n / entry->shape->rows; turn += HF_MATRIX_SIZE_MAX / n) {
        if (HF_MATRIX_SIZE_MAX / n > n / entry->shape->rows)
            return; /* small ones: checked by the closed form only */
        entry->kernel->advance(state, 1);
    }
    assert_true(state->flaw == 0);
    panel_read(entry, n, 1);
    assert_int_equal(wrong_columns(entry, n, &column), 0);
    assert_int_equal(wrong_rows(entry, n, ones, &row), 0);
    assert_int_equal(wrong_rows(entry, n, vector, &row), 0);
    bad_row = (int)hf_random_below(random, (uint64_t)n);
    bad_column = (int)hf_random_below(random, (uint64_t)entry->shape->columns);
    panel[1][bad_row][bad_column] = (panel[1][bad_row][bad_column] + 1) % entry->prime;
    assert_int_equal(wrong_columns(entry, n, &column), 1);
    assert_int_equal(wrong_rows(entry, n, ones, &row), 1);
    assert_true(row == bad_row && column == bad_column);
}

static void test_products(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 1);
    for (int s = 0; s < 2 * SUBJECTS; s++) {
        struct entry entry = entry_of(s / 2, s % 2);

        for (int n = 64; n <= 512; n *= 2) {
            if (entry.layout == HF_MATRIX_PLAIN && n > 128)
                continue;
            check_product(&entry, n, 0, &random);
            check_product(&entry, n, 1, &random); /* the largest sums there can be */
        }
    }
}

/* --- the closed form --- */

/* Every size, operand set and entry, and lengths that end within a product. */
static void test_sizes(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 2);
    for (int s = 0; s < 2 * SUBJECTS; s++) {
        struct entry entry = entry_of(s / 2, s % 2);

        for (int n = 32; n <= 512; n *= 2) {
            uint64_t seed = seed_of_size(&entry, n, hf_random_u64(&random));

            for (unsigned operands = 0; operands < HF_OPERANDS_COUNT; operands++) {
                uint64_t steps = hf_random_below(&random, s % 2 ? 40 : 400);

                entry.kernel->start(state, (enum hf_operands)operands, seed);
                entry.kernel->advance(state, steps);
                if (entry.kernel->digest(state) !=
                    entry.kernel->expect((enum hf_operands)operands, seed, steps))
                    fail_msg("%s %d %s: n %d, operands %u, seed %llu, %llu steps", entry.kernel->name,
                             entry.kernel->width_bits, entry.kernel->isa, n, operands,
                             (unsigned long long)seed, (unsigned long long)steps);
            }
        }
    }
}

#define SMALL 32

struct square {
    uint64_t at[SMALL][SMALL];
};

static void square_multiply(struct square *left, const struct square *right, uint64_t prime)
{
    struct square product;

    for (int i = 0; i < SMALL; i++) {
        for (int j = 0; j < SMALL; j++) {
            uint64_t sum = 0;

            for (int k = 0; k < SMALL; k++)
                sum += left->at[i][k] * right->at[k][j];
            product.at[i][j] = sum % prime;
        }
    }
    *left = product;
}

/* A^k X0 by repeated squaring of A as the store holds it, for n = 32 and any k. */
static void check_power(const struct entry *entry, enum hf_operands operands, uint64_t seed,
                        uint64_t products)
{
    const uint32_t *store;
    struct square power = {0}, square;
    uint64_t turns_a_product = SMALL / (uint64_t)entry->shape->rows;
    uint64_t turns_a_step = HF_MATRIX_SIZE_MAX / SMALL;
    uint64_t steps = products * turns_a_product / turns_a_step;

    entry->kernel->start(state, operands, seed);
    store = hf_matrix_store(entry->shape->element, entry->layout, entry->shape->rows, state->size);
    for (int i = 0; i < SMALL; i++) {
        power.at[i][i] = 1;
        for (int j = 0; j < SMALL; j++)
            square.at[i][j] =
                store[(i / entry->shape->rows * SMALL + j) * entry->shape->rows + i % entry->shape->rows];
    }
    for (uint64_t k = products; k != 0; k >>= 1) {
        if (k & 1)
            square_multiply(&power, &square, entry->prime);
        square_multiply(&square, &square, entry->prime);
    }
    panel_read(entry, SMALL, 0);
    for (int i = 0; i < SMALL; i++) {
        for (int c = 0; c < entry->shape->columns; c++) {
            uint64_t sum = 0;

            for (int k = 0; k < SMALL; k++)
                sum += power.at[i][k] * panel[0][k][c];
            hf_matrix_put(entry->shape, entry->layout, state, (int)(products % 2), i, c,
                          (uint32_t)(sum % entry->prime));
        }
    }
    state->turns = steps * turns_a_step;
    assert_true(entry->kernel->digest(state) == entry->kernel->expect(operands, seed, steps));
}

static void test_powers(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 3);
    for (int s = 0; s < SUBJECTS; s++) {
        struct entry entry = entry_of(s, 1);
        uint64_t seed = seed_of_size(&entry, SMALL, 77);

        for (int i = 0; i < 40; i++) {
            uint64_t products = hf_random_below(&random, UINT64_C(1) << 40) >> (i % 4 * 10);

            check_power(&entry, (enum hf_operands)(i % HF_OPERANDS_COUNT), seed,
                        products - products % 4); /* whole steps */
        }
    }
}

/* --- planted bits --- */

static void test_planted_bits(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 4);
    for (int s = 0; s < 2 * SUBJECTS; s++) {
        struct entry entry = entry_of(s / 2, s % 2);

        for (int i = 0; i < 600; i++) {
            uint64_t seed = hf_random_u64(&random);
            uint64_t steps = hf_random_below(&random, 9);
            uint64_t after = hf_random_below(&random, s % 2 ? 3 : 30);
            struct hf_lane_report report;

            entry.kernel->start(state, (enum hf_operands)(i % HF_OPERANDS_COUNT), seed);
            entry.kernel->advance(state, steps);
            memcpy(damaged, room, entry.kernel->state_bytes);
            entry.kernel->plant(damaged, hf_random_u64(&random));
            entry.kernel->advance(damaged, after);
            entry.kernel->locate(damaged, (enum hf_operands)(i % HF_OPERANDS_COUNT), seed, steps + after,
                                 &report);
            assert_true(entry.kernel->digest(damaged) !=
                        entry.kernel->expect((enum hf_operands)(i % HF_OPERANDS_COUNT), seed, steps + after));
            assert_true(report.lane >= 0 && report.expected != report.got);
        }
    }
}

static void store_add(const struct entry *entry, void *store, size_t index, int wrong)
{
    if (entry->layout == HF_MATRIX_PLAIN)
        ((uint32_t *)store)[index] += (uint32_t)wrong;
    else if (entry->shape->element == HF_MATRIX_DOUBLE)
        ((double *)store)[index] += wrong;
    else if (entry->shape->element == HF_MATRIX_SINGLE)
        ((float *)store)[index] += (float)wrong;
    else
        ((int8_t *)store)[index] = (int8_t)(((int8_t *)store)[index] + wrong);
}

/* A wrong element of A outside the state is seen in the block that uses it. */
static void test_wrong_matrix(void **unused)
{
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 5);
    for (int s = 0; s < 2 * SUBJECTS; s++) {
        struct entry entry = entry_of(s / 2, s % 2);
        uint64_t seed = seed_of_size(&entry, 64, 0);

        for (int i = 0; i < 50; i++) {
            size_t element = hf_random_below(&random, 64 * 64);
            uint64_t steps = 2 + hf_random_below(&random, 20); /* a whole product at least */
            void *store;

            entry.kernel->start(state, HF_OPERANDS_FULL, seed);
            store = (void *)(uintptr_t)hf_matrix_store(entry.shape->element, entry.layout, entry.shape->rows,
                                                       state->size);
            store_add(&entry, store, element, 1);
            entry.kernel->advance(state, steps);
            assert_true(entry.kernel->digest(state) != entry.kernel->expect(HF_OPERANDS_FULL, seed, steps));
            store_add(&entry, store, element, -1);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_sizes),        cmocka_unit_test(test_powers),
        cmocka_unit_test(test_planted_bits), cmocka_unit_test(test_wrong_matrix),
        cmocka_unit_test(test_products), /* last: it leaves other matrices in the stores */
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
