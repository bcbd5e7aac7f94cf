/*
 * Published counts by the code that the kernel `branch` runs (kernels/branch_jobs.h), its tables by other
 * routes, and what its header says of errors that could be masked.
 *
 * Sources, from the On-Line Encyclopedia of Integer Sequences (oeis.org):
 *   A006880  primes below 10^n
 *   A046731  sum of the primes below 10^n (from memory)
 *   A000170  ways to place n queens on an n x n board
 *   A284668  the start below 10^n with the longest Collatz trajectory
 *   A006577  steps to 1 of a Collatz start (from memory)
 *   A033493  sum of a Collatz trajectory (from memory)
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
#include "workloads/kernels/branch.h"
#include "workloads/kernels/branch_jobs.h"

#define ROWS    16 /* room for a board of 12 */
#define SEED    UINT64_C(20261125)
#define MILLION UINT32_C(1000000)

/* --- primes --- */

/* pi(10^4 .. 10^8), one window after the other as the kernel takes them; small primes below 10^4. */
static void test_primes_below_powers_of_ten(void **unused)
{
    static const struct {
        uint32_t below;
        uint64_t count;
    } published[] = {
        {10000, 1229}, {100000, 9592}, {MILLION, 78498}, {10 * MILLION, 664579}, {100 * MILLION, 5761455}};
    static uint8_t small_primes[5000], small_flag[5000];
    static uint8_t flag[HF_BRANCH_FLAG_ROOM];
    uint64_t count = 0, sum = 0;
    size_t met = 0;

    (void)unused;
    hf_branch_sieve_small(small_primes, 5000);
    for (uint32_t window = 0; window < 100 * MILLION / HF_BRANCH_WINDOW_SIZE; window++) {
        struct hf_branch_primes primes;

        memcpy(small_flag, small_primes, sizeof small_flag);
        primes = hf_branch_sieve_window(flag, small_flag, 5000, window);
        count += primes.count;
        sum += primes.sum;
        if (window < HF_BRANCH_WINDOWS) {
            assert_int_equal(primes.count, hf_branch_windows[window].count);
            assert_int_equal(primes.sum, hf_branch_windows[window].sum);
        }
        if ((window + 1) * HF_BRANCH_WINDOW_SIZE == published[met].below)
            assert_int_equal(count, published[met++].count);
        if ((window + 1) * HF_BRANCH_WINDOW_SIZE == MILLION)
            assert_true(sum == UINT64_C(37550402023));
    }
    for (int i = 0; i < 5000; i++) /* used up */
        assert_int_equal(small_flag[i], 1);
    assert_int_equal(met, 5);
    assert_int_equal(count, 5761455);
    assert_true(sum == UINT64_C(279209790387276));
}

/* --- sort --- */

/* Keys of any value are a permutation, come out in order, and are wiped; what lay there before has no part.
 */
static void test_sort(void **unused)
{
    struct hf_random random;
    uint64_t hash = 0;

    (void)unused;
    hf_random_init(&random, SEED, 1);
    for (uint64_t i = 0; i < HF_BRANCH_KEYS; i++)
        hash = (hash + i) * HF_BRANCH_HASH_ODD;
    for (int repeat = 0; repeat < 2000; repeat++) {
        uint64_t value = hf_random_u64(&random) >> (repeat % 3 == 0 ? 48 : 0);
        uint16_t key[HF_BRANCH_KEYS];
        uint64_t met = 0;

        for (uint32_t i = 0; i < HF_BRANCH_KEYS; i++) {
            met |= UINT64_C(1) << hf_branch_permuted(i, value);
            key[i] = (uint16_t)hf_random_u64(&random);
        }
        assert_true(met == UINT64_MAX);
        assert_true(hf_branch_sort(key, value) == hash);
        for (int i = 0; i < HF_BRANCH_KEYS; i++)
            assert_int_equal(key[i], 0);
    }
}

/* --- what a step uses for itself --- */

/* Words 6 and 7 of a state must stay zero; from word 8 on every byte is written by one of four steps, and
 * what lay there before has no part in anything. */
static void test_scratch(void **unused)
{
    static _Alignas(64) unsigned char clean[8192], dirty[8192];
    const struct hf_kernel *kernel = hf_kernel_find("branch", 64);
    struct hf_random random;

    (void)unused;
    assert_true(kernel->state_bytes <= sizeof clean);
    hf_random_init(&random, SEED, 2);
    for (int repeat = 0; repeat < 1000; repeat++) {
        uint64_t seed = hf_random_u64(&random);
        enum hf_operands operands = (enum hf_operands)(repeat % HF_OPERANDS_COUNT);

        kernel->start(clean, operands, seed);
        kernel->start(dirty, operands, seed);
        for (size_t i = 64; i < kernel->state_bytes; i++)
            dirty[i] = (unsigned char)hf_random_u64(&random);
        kernel->advance(clean, 4);
        kernel->advance(dirty, 4);
        assert_memory_equal(clean, dirty, kernel->state_bytes);
        dirty[48 + repeat % 16] ^= 1;
        kernel->advance(dirty, 1);
        assert_true(kernel->digest(dirty) != kernel->expect(operands, seed, 5));
    }
}

/* --- queens --- */

static struct hf_branch_search all_boards(uint32_t size)
{
    struct hf_branch_row row[ROWS] = {{.untried = (UINT32_C(1) << size) - 1}};

    return hf_branch_place_queens(row, ROWS, size, size, UINT32_MAX);
}

static void test_queens(void **unused)
{
    static const uint64_t published[] = {1, 1, 0, 0, 2, 10, 4, 40, 92, 352, 724, 2680, 14200}; /* A000170 */

    (void)unused;
    for (uint32_t size = 1; size <= 12; size++)
        assert_int_equal(all_boards(size).solutions, published[size]);
}

/* Another route: columns in a list, every pair of queens compared. */
struct column_list {
    int column[HF_BRANCH_BOARD];
    int count;
    uint64_t walk;
    uint64_t solutions;
    uint64_t placed;
};

static int is_attacked(const struct column_list *list, int column)
{
    for (int i = 0; i < list->count; i++) {
        if (list->column[i] == column || abs(list->column[i] - column) == list->count - i)
            return 1;
    }
    return 0;
}

static void place_rest(struct column_list *list)
{
    for (int column = 0; column < HF_BRANCH_BOARD; column++) {
        if (is_attacked(list, column))
            continue;
        list->placed++;
        list->walk += UINT64_C(1) << column;
        list->walk += (uint64_t)(list->count - 2) * 65536;
        list->walk *= UINT64_C(0xd1342543de82ef95); /* Steele and Vigna 2021, table 5 */
        list->column[list->count++] = column;
        if (list->count == HF_BRANCH_BOARD)
            list->solutions++;
        else
            place_rest(list);
        list->count--;
    }
}

/* Every pair of first queens is in the table once, with the right solutions and search; 724 in all. No search
 * needs more turns than the kernel's fuel (one per queen placed, one per row left). */
static void test_table_of_boards(void **unused)
{
    uint64_t solutions = 0;
    uint64_t placed_most = 0;
    int board = 0;

    (void)unused;
    for (int first = 0; first < HF_BRANCH_BOARD; first++) {
        for (int second = 0; second < HF_BRANCH_BOARD; second++) {
            struct column_list list = {.column = {first, second}, .count = 2};

            if (abs(first - second) < 2)
                continue;
            place_rest(&list);
            assert_true(board < HF_BRANCH_BOARDS);
            assert_int_equal(hf_branch_boards[board].first, first);
            assert_int_equal(hf_branch_boards[board].second, second);
            assert_int_equal(hf_branch_boards[board].solutions, list.solutions);
            assert_true(hf_branch_boards[board].walk == list.walk);
            solutions += list.solutions;
            placed_most = list.placed > placed_most ? list.placed : placed_most;
            board++;
        }
    }
    assert_int_equal(board, HF_BRANCH_BOARDS);
    assert_int_equal(solutions, 724);
    assert_true(2 * placed_most + 1 < 1300);
}

/* One wrong branch is a wrong answer: a square that is entered though it is attacked, or left out though it
 * is free, whichever row and board, changes the hash; the number of solutions alone would often not tell. */
static void test_one_wrong_square(void **unused)
{
    int same_count = 0;
    int tried = 0;

    (void)unused;
    for (int board = 0; board < HF_BRANCH_BOARDS; board++) {
        const uint32_t squares = (UINT32_C(1) << HF_BRANCH_BOARD) - 1;
        const struct hf_branch_board *known = &hf_branch_boards[board];

        for (int column = 0; column < HF_BRANCH_BOARD; column++) {
            struct hf_branch_row row[ROWS] = {{0}};
            struct hf_branch_search search;

            row[0] = hf_branch_next_row(row[0], UINT32_C(1) << known->first, squares);
            row[0] = hf_branch_next_row(row[0], UINT32_C(1) << known->second, squares);
            row[0].untried ^= UINT32_C(1) << column;
            search = hf_branch_place_queens(row, ROWS, HF_BRANCH_BOARD, HF_BRANCH_BOARD - 2, 1 << 16);
            assert_true(search.walk != known->walk);
            same_count += search.solutions == known->solutions;
            tried++;
        }
    }
    assert_int_equal(tried, HF_BRANCH_BOARDS * HF_BRANCH_BOARD);
    assert_true(same_count > 0);
}

/* --- Collatz --- */

/* Another route: two rules at once, (3 x + 1) / 2 and all factors 2, until a smaller start is met whose
 * numbers are known. */
static struct hf_branch_flight *remembered_flights(void)
{
    struct hf_branch_flight *flight = calloc(MILLION, sizeof *flight);

    assert_non_null(flight);
    flight[1].sum = 1;
    for (uint32_t start = 2; start < MILLION; start++) {
        uint64_t x = start, steps = 0, sum = 0;

        while (x >= start) {
            if (x % 2 != 0) {
                sum += x + (3 * x + 1);
                x = (3 * x + 1) / 2;
                steps += 2;
            } else {
                int zeros = __builtin_ctzll(x);

                for (int i = 0; i < zeros && (x >> i) >= start; i++)
                    sum += x >> i;
                while (zeros > 0 && x >= start) {
                    x /= 2;
                    zeros--;
                    steps++;
                }
            }
        }
        flight[start].steps = steps + flight[x].steps;
        flight[start].sum = sum + flight[x].sum;
    }
    return flight;
}

/* A006577 and A033493, starts 1 to 10. */
static void test_first_flights(void **unused)
{
    static const uint64_t steps[] = {0, 1, 7, 2, 5, 8, 16, 3, 19, 6};
    static const uint64_t sums[] = {1, 3, 49, 7, 36, 55, 288, 15, 339, 46};

    (void)unused;
    for (uint64_t i = 0; i < 10; i++) {
        assert_int_equal(hf_branch_fly(i + 1).steps, steps[i]);
        assert_int_equal(hf_branch_fly(i + 1).sum, sums[i]);
    }
}

/* Every start below 10^6 by the kernel's code: steps and sum as remembered, the longest is 837799 with 524
 * steps. Those below 10, 100, ... 10^5 (A284668, from memory) on the way. */
static void test_longest_flight(void **unused)
{
    static const uint32_t published[] = {9, 97, 871, 6171, 77031, 837799};
    struct hf_branch_flight *known = remembered_flights();
    uint64_t steps_most = 0;
    uint32_t longest = 0;
    uint32_t power = 10;
    int met = 0;

    (void)unused;
    for (uint32_t start = 1; start < MILLION; start++) {
        struct hf_branch_flight flight = hf_branch_fly(start);

        if (flight.steps != known[start].steps || flight.sum != known[start].sum)
            fail_msg("start %u: %llu steps, sum %llu", start, (unsigned long long)flight.steps,
                     (unsigned long long)flight.sum);
        if (flight.steps > steps_most) {
            steps_most = flight.steps;
            longest = start;
        }
        if (start + 1 == power) {
            assert_int_equal(longest, published[met++]);
            power *= 10;
        }
    }
    free(known);
    assert_int_equal(met, 6);
    assert_int_equal(longest, 837799);
    assert_int_equal(steps_most, 524);
    assert_true(steps_most < HF_BRANCH_FLIGHT_FUEL);
}

/* The kernel's 4000 starts: different, below 10^6, 837799 among them; the table is what is remembered. */
static void test_table_of_flights(void **unused)
{
    struct hf_branch_flight *known = remembered_flights();
    uint32_t before = 0;
    int has_longest = 0;

    (void)unused;
    for (uint32_t window = 0; window < HF_BRANCH_WINDOWS; window++) {
        uint64_t steps = 0, sum = 0;

        for (uint32_t i = 0; i < HF_BRANCH_FLIGHTS; i++) {
            uint32_t start = hf_branch_flight_start(window, i);

            assert_true(start > before && start < MILLION);
            before = start;
            has_longest |= start == 837799;
            steps += known[start].steps;
            sum += known[start].sum;
        }
        assert_int_equal(hf_branch_flights[window].steps, steps);
        assert_int_equal(hf_branch_flights[window].sum, sum);
    }
    free(known);
    assert_true(has_longest);
}

/* One wrong turn: at any one step of a flight the wrong rule is taken. Never the same steps and sum; often
 * the same steps. */
static void test_one_wrong_turn(void **unused)
{
    int same_steps = 0;
    int tried = 0;

    (void)unused;
    for (uint32_t window = 0; window < HF_BRANCH_WINDOWS; window += 10) {
        uint32_t start = hf_branch_flight_start(window, 0);
        struct hf_branch_flight right = hf_branch_fly(start);
        uint64_t x = start, sum = 0;

        for (uint64_t step = 0; x != 1; step++) {
            struct hf_branch_flight rest = hf_branch_fly(x % 2 != 0 ? x / 2 : 3 * x + 1);

            sum += x;
            same_steps += step + 1 + rest.steps == right.steps;
            assert_false(step + 1 + rest.steps == right.steps && sum + rest.sum == right.sum);
            x = x % 2 == 0 ? x / 2 : 3 * x + 1;
            tried++;
        }
    }
    assert_true(tried > 4000);
    assert_true(same_steps > 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_primes_below_powers_of_ten),
        cmocka_unit_test(test_sort),
        cmocka_unit_test(test_scratch),
        cmocka_unit_test(test_queens),
        cmocka_unit_test(test_table_of_boards),
        cmocka_unit_test(test_one_wrong_square),
        cmocka_unit_test(test_first_flights),
        cmocka_unit_test(test_longest_flight),
        cmocka_unit_test(test_table_of_flights),
        cmocka_unit_test(test_one_wrong_turn),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
