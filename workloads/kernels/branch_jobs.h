/*
 * The jobs of `branch`: primes, a sort, queens, Collatz flights. The kernel's step and the test against
 * published counts run this code, each on its own range.
 *
 * What they compute leads none of them to memory outside its buffers, or into a loop without end: indices and
 * bounds come from loop counters and arguments, the row of the queens is masked, and queens and flights have
 * fuel, of which right values leave some.
 */
#ifndef HOLDFAST_WORKLOADS_BRANCH_JOBS_H
#define HOLDFAST_WORKLOADS_BRANCH_JOBS_H

#include <stdint.h>

#include "workloads/kernels/branch.h"
#include "workloads/kernels/kernel_code.h"

#define HF_BRANCH_FLAGS       (HF_BRANCH_WINDOW_SIZE / 2) /* odd numbers of a window */
#define HF_BRANCH_FLAG_ROOM   1024                        /* all of it is written by every window */
#define HF_BRANCH_SMALL_FLAGS 512                         /* odd numbers below 1024, for windows below 10^6 */
#define HF_BRANCH_HASH_ODD    UINT64_C(0xd1342543de82ef95) /* 5 mod 8 (Steele and Vigna 2021, table 5) */
#define HF_BRANCH_FLIGHT_FUEL 1024

/* Keeps the compiler from turning a branch into a conditional move or a vector compare. */
#define HF_KEEP_BRANCH() __asm__ volatile("")

struct hf_branch_primes {
    uint64_t count;
    uint64_t sum;
};

struct hf_branch_flight {
    uint64_t steps;
    uint64_t sum;
};

/* What a row of the board knows: columns that queens stand in, squares of this row that their diagonals meet,
 * and the squares not tried yet. Bit c is column c. */
struct hf_branch_row {
    uint32_t columns;
    uint32_t rising;
    uint32_t falling;
    uint32_t untried;
};

struct hf_branch_search {
    uint64_t walk; /* a hash of every queen placed, in order, each with its row */
    uint64_t solutions;
};

/* --- sieve: number 2 i + 1 is composite when flag[i] is set --- */

/* The primes that windows need: all below 2 `flags`. Its square is the end of the windows that may be sieved.
 */
HF_INLINE void hf_branch_sieve_small(uint8_t *flag, uint32_t flags)
{
    for (uint32_t i = 0; i < flags; i++)
        flag[i] = i == 0;
    for (uint32_t i = 1; i < flags && 2 * i * (i + 1) < flags; i++) { /* the index of (2 i + 1)^2 */
        HF_OPAQUE(i);
        if (flag[i] != 0)
            continue;
        for (uint32_t j = 2 * i * (i + 1); j < flags; j += 2 * i + 1)
            flag[j] = 1;
    }
}

/* First odd multiple of the odd number p, at least p^2 and at least base, as an index of the window. */
HF_INLINE uint32_t hf_branch_first_index(uint32_t p, uint32_t base)
{
    uint32_t multiple = (base + p - 1) / p;

    multiple |= 1;
    if (multiple < p)
        multiple = p;
    return (multiple * p - base) / 2;
}

/* The primes from window * HF_BRANCH_WINDOW_SIZE on, below the next window. The small primes are used up: all
 * of small_flag is set, so that a next sieve that left out a part would not find it done. */
HF_INLINE struct hf_branch_primes hf_branch_sieve_window(uint8_t flag[HF_BRANCH_FLAG_ROOM],
                                                         uint8_t *small_flag, uint32_t small_flags,
                                                         uint32_t window)
{
    uint32_t base = window * HF_BRANCH_WINDOW_SIZE;
    struct hf_branch_primes primes = {0};

    for (uint32_t i = 0; i < HF_BRANCH_FLAG_ROOM; i++)
        flag[i] = 0;
    if (window == 0) {
        flag[0] = 1; /* 1 is no prime, 2 is one */
        primes = (struct hf_branch_primes){1, 2};
    }
    for (uint32_t i = 1; i < small_flags; i++) {
        if (small_flag[i] != 0)
            continue;
        small_flag[i] = 1;
        for (uint32_t j = hf_branch_first_index(2 * i + 1, base); j < HF_BRANCH_FLAGS; j += 2 * i + 1)
            flag[j] = 1;
    }
    for (uint32_t i = 0; i < HF_BRANCH_FLAGS; i++) {
        if (flag[i] == 0) {
            HF_KEEP_BRANCH();
            primes.count++;
            primes.sum += base + 2 * i + 1;
        }
    }
    return primes;
}

/* --- sort --- */

/* A bijection of 0 .. 63 for any value: affine, xor with a shift, affine. */
HF_INLINE uint32_t hf_branch_permuted(uint32_t index, uint64_t value)
{
    uint32_t key = (index * ((uint32_t)value | 1) + (uint32_t)(value >> 16)) % HF_BRANCH_KEYS;

    key ^= key >> 3;
    return (key * ((uint32_t)(value >> 32) | 1) + (uint32_t)(value >> 48)) % HF_BRANCH_KEYS;
}

/* The hash of the sorted keys. */
HF_INLINE uint64_t hf_branch_sort(uint16_t key[HF_BRANCH_KEYS], uint64_t value)
{
    static const uint32_t gaps[] = {23, 10, 4, 1};
    uint64_t hash = 0;

    for (uint32_t i = 0; i < HF_BRANCH_KEYS; i++)
        key[i] = (uint16_t)hf_branch_permuted(i, value);
    for (int g = 0; g < 4; g++) {
        uint32_t gap = gaps[g];

        for (uint32_t i = gap; i < HF_BRANCH_KEYS; i++) {
            uint16_t moving = key[i];
            uint32_t j = i;

            while (j >= gap && key[j - gap] > moving) {
                key[j] = key[j - gap];
                j -= gap;
            }
            key[j] = moving;
        }
    }
    for (uint32_t i = 0; i < HF_BRANCH_KEYS; i++) {
        hash = (hash + key[i]) * HF_BRANCH_HASH_ODD;
        key[i] = 0; /* a next sort that got no keys finds none */
    }
    return hash;
}

/* --- queens that do not attack each other, by backtracking on bit masks --- */

/* The row below `above` once a queen stands there. */
HF_INLINE struct hf_branch_row hf_branch_next_row(struct hf_branch_row above, uint32_t queen, uint32_t board)
{
    struct hf_branch_row row = {
        .columns = above.columns | queen,
        .rising = (above.rising | queen) << 1,
        .falling = (above.falling | queen) >> 1,
    };

    row.untried = board & ~(row.columns | row.rising | row.falling);
    return row;
}

/* All ways to fill the last `rows` rows of a board `size` wide, the first of which is row[0]. `room` rows are
 * there, a power of two and at least `rows`. */
HF_INLINE struct hf_branch_search hf_branch_place_queens(struct hf_branch_row *row, uint32_t room,
                                                         uint32_t size, uint32_t rows, uint32_t fuel)
{
    const uint32_t board = (UINT32_C(1) << size) - 1;
    struct hf_branch_search search = {0};
    uint32_t at = 0;

    for (; fuel != 0; fuel--) {
        struct hf_branch_row *here = &row[at % room];
        uint32_t queen = here->untried & (~here->untried + 1);

        if (queen == 0) { /* nothing left here: back to the row above */
            HF_KEEP_BRANCH();
            if (at == 0)
                break;
            at--;
            continue;
        }
        here->untried ^= queen;
        search.walk = (search.walk + queen + ((uint64_t)at << 16)) * HF_BRANCH_HASH_ODD;
        if (at + 1 == rows) {
            HF_KEEP_BRANCH();
            search.solutions++;
        } else {
            row[(at + 1) % room] = hf_branch_next_row(*here, queen, board);
            at++;
        }
    }
    return search;
}

/* --- Collatz: halve what is even, else 3 x + 1, until 1 --- */

/* How many steps, and the sum of all values met, the start and the 1 included. */
HF_INLINE struct hf_branch_flight hf_branch_fly(uint64_t start)
{
    struct hf_branch_flight flight = {.sum = start};
    uint64_t x = start;

    while (flight.steps < HF_BRANCH_FLIGHT_FUEL && x != 1) {
        if ((x & 1) == 0) {
            HF_KEEP_BRANCH();
            x >>= 1;
        } else {
            HF_KEEP_BRANCH();
            x += 2 * x + 1;
        }
        flight.steps++;
        flight.sum += x;
    }
    return flight;
}

#endif
