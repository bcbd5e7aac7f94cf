/*
 * branch: data-dependent branches. Plain C is its only form.
 *
 * Small jobs whose answers are known; a step is one of 1 to 4, in turn, and 5 (1 to 4: branch_jobs.h):
 *   1. sieve: marks composites in a window of 2000 numbers below 10^6 and counts and adds up the primes left
 *      over. Known: a table made by trial division, anchored by pi(10^6) = 78498; the same code counts
 *      pi(10^8) = 5761455 (OEIS A006880) in a test.
 *   2. sort: 64 keys, a permutation drawn from the present value, are sorted (Shell 1959, gaps of Ciura
 *      2001). Known: the identity; every position goes into a hash.
 *   3. queens: two queens stand on a board of 10, the others are placed by backtracking (some 490 are tried);
 *      every queen tried goes into a hash. Known: a table made by recursion on lists of columns, anchored by
 *      724 solutions; the same code counts 92 on a board of 8, 14200 on one of 12 (OEIS A000170) in a test.
 *   4. Collatz: 8 starts below 10^6 are halved or tripled until 1 (some 1100 steps); steps and values met are
 *      added up. Known: a table made with remembered lengths; the same code finds the longest start below
 *      10^6, 837799 with 524 steps (OEIS A284668), in a test.
 *   5. interpreter: a small program of byte codes computes value -> m value + k modulo 2^64 by shift and add,
 *      branching on the value's bits. Known: affine jump-ahead.
 *
 * The answer of 1 to 4 goes into the fold: fold -> A fold + answer, a bijection; with right answers its value
 * after n steps is known by jump-ahead over whole cycles of 2000 positions. The position draws the window,
 * the two queens and the starts.
 *
 * Words of a state: fold, value, position, m, k, flaw. Flags, keys and rows live only within a step.
 *
 * Masked errors, and what catches them:
 *   - a wrong branch that ends in the same place (a composite marked twice, two equal compares): not an
 *     error.
 *   - two wrong flags in one window that leave count and sum as they were: not from one error.
 *   - keys that become another permutation: each key is computed on its own, so a single error makes a
 *     duplicate, which no sort turns into the identity.
 *   - a part of a job left out, whose outcome still lies there from the step before: small primes and sorted
 *     keys, the same every time, are wiped when they have been used; what a window or board leaves behind is
 *     wrong for the next. No byte of a state is padding: each is written by its job or zero in the flaw word.
 *   - a part of the board without solutions that is left out or entered in vain: the number of solutions
 *     stays, the hash of the queens tried does not.
 *   - a wrong turn of a flight that comes to 1 in as many steps (neighbours often share a length): the sum of
 *     the values met differs.
 *   - the position decides the window: reduced modulo 2000 before use, and its own word in the digest.
 *     Indices and loop bounds come from loop counters only, the row of the queens is masked, and what could
 *     go on without end has fuel; what is computed decides nothing but branches.
 *
 * Why it has no limit loop: what bounds it is how often the predictor is wrong, and a loop that is wrong as
 * often on the same decisions would be this kernel. Measured on a Zen 5 core (2026, gcc 12, cycles by a chain
 * of additions): a coin-flip branch in a bare loop takes 15.6 cycles where the same branch with a known
 * outcome takes 5.9, so a misprediction costs some 19. A sort of new keys takes 6590 cycles and one of the
 * same keys over and over, which the predictor learns, 1180: 82 % of the sort is mispredictions, about 280 of
 * them. The interpreter: 2020 cycles, and 970 on one value: 52 %. The sieve (11400 cycles) is bound by its
 * stores; only its last scan is unpredictable. Queens and flights, in the order of the positions, take about
 * 13500 and 6500 (2026, a shared machine: least of 40 passes), a step 12500 on average.
 */

#include "holdfast/random.h"
#include "workloads/arithmetic.h"
#include "workloads/kernels/branch.h"
#include "workloads/kernels/branch_jobs.h"
#include "workloads/kernels/kernel_code.h"

#define WORDS        6
#define PROGRAM_SIZE 8
#define BOARD_ROWS   (HF_BRANCH_BOARD - 2)
#define BOARD_FUEL   2048 /* turns; the longest board takes fewer than 1300 */

struct branch_state {
    uint64_t fold;
    uint64_t value;
    uint64_t position;
    uint64_t multiplier;
    uint64_t increment;
    uint64_t flaw;
    uint64_t spare[2];
    uint8_t flag[HF_BRANCH_FLAG_ROOM];
    uint8_t small_flag[HF_BRANCH_SMALL_FLAGS];
    uint16_t key[HF_BRANCH_KEYS];
    struct hf_branch_row row[BOARD_ROWS];
};

_Static_assert(sizeof(struct branch_state) % 64 == 0, "states are laid side by side");

/* Both numbers of an answer: one of them wrong makes it wrong. */
HF_INLINE uint64_t joined(uint64_t sum, uint64_t count)
{
    return sum * HF_BRANCH_HASH_ODD + count;
}

/* --- 1. sieve --- */

HF_INLINE uint64_t sieve_window(struct branch_state *state, uint32_t window)
{
    struct hf_branch_primes primes;

    hf_branch_sieve_small(state->small_flag, HF_BRANCH_SMALL_FLAGS);
    primes = hf_branch_sieve_window(state->flag, state->small_flag, HF_BRANCH_SMALL_FLAGS, window);
    return joined(primes.sum, primes.count);
}

/* --- 3. queens --- */

HF_INLINE uint64_t place_queens(struct hf_branch_row row[BOARD_ROWS], uint32_t board)
{
    const uint32_t squares = (UINT32_C(1) << HF_BRANCH_BOARD) - 1;
    uint32_t first = UINT32_C(1) << hf_branch_boards[board].first % HF_BRANCH_BOARD;
    uint32_t second = UINT32_C(1) << hf_branch_boards[board].second % HF_BRANCH_BOARD;
    struct hf_branch_search search;

    row[0] = hf_branch_next_row((struct hf_branch_row){0}, first, squares);
    row[0] = hf_branch_next_row(row[0], second, squares);
    search = hf_branch_place_queens(row, BOARD_ROWS, HF_BRANCH_BOARD, BOARD_ROWS, BOARD_FUEL);
    return joined(search.walk, search.solutions);
}

/* --- 4. Collatz --- */

HF_INLINE uint64_t fly(uint32_t window)
{
    uint64_t steps = 0;
    uint64_t sum = 0;

    for (uint32_t i = 0; i < HF_BRANCH_FLIGHTS; i++) {
        struct hf_branch_flight flight;

        HF_OPAQUE(i); /* counted as written, not by a start that could miss its end */
        flight = hf_branch_fly(hf_branch_flight_start(window, i));
        steps += flight.steps;
        sum += flight.sum;
    }
    return joined(sum, steps);
}

/* --- 5. interpreter --- */

enum code {
    SKIP_IF_EVEN,
    ADD_SHIFTED,
    DOUBLE_SHIFTED,
    HALVE_BITS,
    AGAIN,
    ADD_INCREMENT,
    STOP
};

HF_INLINE uint64_t interpret(uint64_t value, uint64_t multiplier, uint64_t increment)
{
    static const uint8_t program[PROGRAM_SIZE] = {SKIP_IF_EVEN, ADD_SHIFTED,   DOUBLE_SHIFTED, HALVE_BITS,
                                                  AGAIN,        ADD_INCREMENT, STOP,           STOP};
    uint64_t bits = value;
    uint64_t shifted = multiplier;
    uint64_t sum = 0;
    uint32_t turns_left = 64;
    uint32_t at = 0;

    for (uint32_t fuel = 0; fuel < 64 * 5 + 2; fuel++) {
        switch (program[at % PROGRAM_SIZE]) {
        case SKIP_IF_EVEN:
            if ((bits & 1) == 0) {
                HF_KEEP_BRANCH();
                at++;
            }
            break;
        case ADD_SHIFTED:
            sum += shifted;
            break;
        case DOUBLE_SHIFTED:
            shifted += shifted;
            break;
        case HALVE_BITS:
            bits >>= 1;
            break;
        case AGAIN:
            if (--turns_left != 0) {
                at = 0;
                continue;
            }
            break;
        case ADD_INCREMENT:
            sum += increment;
            break;
        default:
            return sum;
        }
        at++;
    }
    return sum;
}

HF_INLINE uint64_t job_answer(struct branch_state *state)
{
    uint32_t position = (uint32_t)(state->position % HF_BRANCH_CYCLE);
    uint32_t turn = position / HF_BRANCH_JOBS;

    switch (position % HF_BRANCH_JOBS) {
    case 0:
        return sieve_window(state, turn);
    case 1:
        return hf_branch_sort(state->key, state->value);
    case 2:
        return place_queens(state->row, turn % HF_BRANCH_BOARDS);
    default:
        return fly(turn);
    }
}

HF_KERNEL_CODE static void branch_advance(void *opaque_state, uint64_t steps)
{
    struct branch_state *state = opaque_state;
    uint64_t up = 0;
    uint64_t down = steps;

    while (up < steps && down != 0) {
        state->fold = state->fold * HF_BRANCH_HASH_ODD + job_answer(state);
        state->value = interpret(state->value, state->multiplier, state->increment);
        state->position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down | state->spare[0] | state->spare[1];
}

/* --- start and closed form --- */

static uint64_t value_word(enum hf_operands operands, uint64_t word)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return word % 65536;
    case HF_OPERANDS_SPARSE:
        return UINT64_C(1) << word % 64;
    case HF_OPERANDS_CARRY:
        return UINT64_MAX >> word % 32;
    default:
        return word;
    }
}

static struct hf_affine value_map(enum hf_operands operands)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return (struct hf_affine){5, 3};
    case HF_OPERANDS_SPARSE:
        return (struct hf_affine){(UINT64_C(1) << 41) + 5, (UINT64_C(1) << 20) + 1};
    case HF_OPERANDS_CARRY:
        return (struct hf_affine){UINT64_C(0xfffffffffffffffd), UINT64_C(0x7fffffffffffffff)};
    default:
        return (struct hf_affine){HF_MMIX_MULTIPLIER, HF_MMIX_INCREMENT};
    }
}

static void branch_start(void *opaque_state, enum hf_operands operands, uint64_t seed)
{
    struct branch_state *state = opaque_state;
    struct hf_affine map = value_map(operands);

    *state = (struct branch_state){
        .fold = hf_seed_word(seed, 0),
        .value = value_word(operands, hf_seed_word(seed, 1)),
        .position = hf_seed_word(seed, 2) % HF_BRANCH_CYCLE,
        .multiplier = map.multiplier,
        .increment = map.increment,
    };
}

static uint64_t sorted_hash(void)
{
    uint64_t hash = 0;

    for (uint64_t i = 0; i < HF_BRANCH_KEYS; i++)
        hash = (hash + i) * HF_BRANCH_HASH_ODD;
    return hash;
}

/* What the job of a position must answer. */
static uint64_t known_answer(uint64_t position, uint64_t sort_answer)
{
    uint64_t turn = position % HF_BRANCH_CYCLE / HF_BRANCH_JOBS;
    const struct hf_branch_window *window = &hf_branch_windows[turn];
    const struct hf_branch_board *board = &hf_branch_boards[turn % HF_BRANCH_BOARDS];
    const struct hf_branch_flights *flights = &hf_branch_flights[turn];

    switch (position % HF_BRANCH_JOBS) {
    case 0:
        return joined(window->sum, window->count);
    case 1:
        return sort_answer;
    case 2:
        return joined(board->walk, board->solutions);
    default:
        return joined(flights->sum, flights->steps);
    }
}

/* The map of `steps` steps on the fold, from a position on: whole cycles by a power, the rest one by one. */
static struct hf_affine fold_map(uint64_t position, uint64_t steps)
{
    uint64_t sort_answer = sorted_hash();
    uint64_t rest = steps % HF_BRANCH_CYCLE;
    struct hf_affine cycle = {1, 0};
    struct hf_affine part = {1, 0};

    for (uint64_t i = 0; i < HF_BRANCH_CYCLE; i++) {
        if (i == rest)
            part = cycle;
        else if (i > rest && steps < HF_BRANCH_CYCLE)
            break; /* no whole cycle: nothing more is needed */
        cycle = hf_affine_then(
            cycle, (struct hf_affine){HF_BRANCH_HASH_ODD, known_answer(position + i, sort_answer)});
    }
    return hf_affine_then(hf_affine_power(cycle, steps / HF_BRANCH_CYCLE), part);
}

static void expect_words(enum hf_operands operands, uint64_t seed, uint64_t steps, uint64_t ret_words[WORDS])
{
    struct hf_affine map = value_map(operands);
    uint64_t position = hf_seed_word(seed, 2) % HF_BRANCH_CYCLE;

    ret_words[0] = hf_affine_apply(fold_map(position, steps), hf_seed_word(seed, 0));
    ret_words[1] = hf_affine_apply(hf_affine_power(map, steps), value_word(operands, hf_seed_word(seed, 1)));
    ret_words[2] = position + steps;
    ret_words[3] = map.multiplier;
    ret_words[4] = map.increment;
    ret_words[5] = 0;
}

static uint64_t branch_digest(const void *state)
{
    return hf_words_fold(state, WORDS);
}

static uint64_t branch_expect(enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    uint64_t words[WORDS];

    expect_words(operands, seed, steps, words);
    return hf_words_fold(words, WORDS);
}

static void branch_locate(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,
                          struct hf_lane_report *ret_report)
{
    uint64_t expected[WORDS];

    expect_words(operands, seed, steps, expected);
    hf_words_compare(expected, state, WORDS, ret_report);
}

static void branch_plant(void *state, uint64_t bit)
{
    uint64_t *words = state;

    words[bit / 64 % WORDS] ^= UINT64_C(1) << bit % 64;
}

extern const struct hf_kernel hf_reference_branch;
const struct hf_kernel hf_reference_branch = {
    .name = "branch",
    .isa = "reference",
    .width_bits = 64,
    .load_class = HF_LOAD_SCALAR,
    .state_bytes = sizeof(struct branch_state),
    .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,
    .live_bits = 64 * WORDS,
    .burst_steps = 8,
    .operations_per_step = 1,
    .limit = "branch misprediction",
    .start = branch_start,
    .advance = branch_advance,
    .digest = branch_digest,
    .expect = branch_expect,
    .locate = branch_locate,
    .plant = branch_plant,
};
