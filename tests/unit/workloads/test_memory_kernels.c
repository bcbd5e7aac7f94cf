/* chase, gather and copy: the cycle, the arena that is left as it was found, wrong words in it that are met,
 * and the scrub. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "holdfast/kernel.h"
#include "holdfast/random.h"
#include "workloads/arena.h"
#include "workloads/kernels/chase.h"

#define SEED UINT64_C(20261125)

static _Alignas(64) unsigned char state[4096];

/* Every memory kernel's entries that run here, the references among them. */
static int entries(const struct hf_kernel *ret_kernels[256])
{
    int count = 0;

    for (int i = 0; i < hf_kernel_count(); i++) {
        const struct hf_kernel *of_line[HF_KERNEL_ENTRIES_MAX];
        int found = hf_kernel_entries(i, of_line);

        for (int k = 0; k < found && of_line[0]->level > 0; k++)
            ret_kernels[count++] = of_line[k];
    }
    assert_true(count >= 4 + 2 * 8);
    return count;
}

/* One cycle through every place, and the inverse. */
static void test_one_cycle(void **unused)
{
    static unsigned char seen[1 << 18];

    (void)unused;
    for (int bits = 11; bits <= 18; bits++) {
        uint64_t mask = (UINT64_C(1) << bits) - 1;
        uint64_t place = hf_chase_place(0, mask);
        uint64_t neighbours = 0;

        memset(seen, 0, sizeof seen);
        for (uint64_t t = 0; t <= mask; t++) {
            uint64_t next;

            assert_true(place == hf_chase_place(t, mask) && hf_chase_position(place, mask) == t);
            assert_true(place <= mask && !seen[place]);
            seen[place] = 1;
            next = hf_chase_word(t, mask, HF_OPERANDS_FULL) & mask;
            neighbours += (next >> 3) == (place >> 3) || (next >> 3) == (place >> 3) + 1;
            place = next;
        }
        assert_true(place == hf_chase_place(0, mask)); /* back at the start, not before */
        assert_true(neighbours * 50 < mask); /* the next line is seldom the one that a prefetcher guesses */
    }
}

static void check_restored(const struct hf_kernel *kernel, enum hf_operands operands)
{
    struct hf_lane_report report;

    kernel->start(state, operands, SEED);
    for (int burst = 0; burst < 5; burst++) {
        kernel->advance(state, kernel->burst_steps / 4 + (uint64_t)burst);
        assert_true(hf_arena_scrub(&report) == 0 && report.lane == -1);
    }
}

static void test_arena_is_left_as_found(void **unused)
{
    const struct hf_kernel *kernels[256];
    int count = entries(kernels);

    (void)unused;
    for (int i = 0; i < count; i++) {
        for (unsigned operands = 0; operands < HF_OPERANDS_COUNT; operands++)
            check_restored(kernels[i], (enum hf_operands)operands);
    }
}

/* Thousands of random bits of the arena: met once on the way around, located by the scrub, put right by it.
 */
static void check_planted(const struct hf_kernel *kernel, struct hf_random *random)
{
    enum hf_operands operands = (enum hf_operands)hf_random_below(random, HF_OPERANDS_COUNT);
    uint64_t seed = hf_random_u64(random);
    uint64_t words = hf_arena_words(kernel->level);
    uint64_t steps = words / kernel->words_per_step;
    uint64_t bit = hf_random_u64(random);
    struct hf_lane_report report;

    kernel->start(state, operands, seed);
    assert_int_equal(hf_arena_plant(kernel, bit), 1);
    kernel->advance(state, steps);
    if (kernel->digest(state) == kernel->expect(operands, seed, steps))
        fail_msg("%s %d %s: bit %llu of word %llu was not met", kernel->name, kernel->width_bits, kernel->isa,
                 (unsigned long long)(bit % 64), (unsigned long long)(bit / 64 & (words - 1)));
    assert_true(hf_arena_scrub(&report) == 1);
    assert_int_equal(report.lane, HF_LANE_ARENA + (int)(bit / 64 & (words - 1)));
    assert_true((report.expected ^ report.got) == UINT64_C(1) << bit % 64);
    assert_true(hf_arena_scrub(&report) == 0);
    kernel->start(state, operands, seed);
    kernel->advance(state, 3);
    assert_true(kernel->digest(state) == kernel->expect(operands, seed, 3));
}

static void test_planted_in_arena(void **unused)
{
    const struct hf_kernel *kernels[256];
    int count = entries(kernels);
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, SEED, 7);
    for (int i = 0; i < count; i++) {
        int repeats = kernels[i]->level == 1 ? 1000 : (kernels[i]->level == HF_LEVEL_MEMORY ? 20 : 100);

        if (strcmp(kernels[i]->isa, "reference") == 0)
            repeats /= 5;
        for (int repeat = 0; repeat < repeats; repeat++)
            check_planted(kernels[i], &random);
    }
}

/* Every bit position once, at the place that comes next: also the topmost ones. */
static void test_planted_every_bit_position(void **unused)
{
    const struct hf_kernel *kernels[256];
    int count = entries(kernels);

    (void)unused;
    for (int i = 0; i < count; i++) {
        uint64_t words = hf_arena_words(kernels[i]->level);
        uint64_t steps = words / kernels[i]->words_per_step;

        if (kernels[i]->level != 1)
            continue;
        for (uint64_t bit = 0; bit < 64; bit++) {
            kernels[i]->start(state, HF_OPERANDS_FULL, bit);
            (void)hf_arena_plant(kernels[i], bit + 64 * (bit * 37));
            kernels[i]->advance(state, steps);
            assert_true(kernels[i]->digest(state) != kernels[i]->expect(HF_OPERANDS_FULL, bit, steps));
            (void)hf_arena_plant(kernels[i], bit + 64 * (bit * 37));
        }
    }
}

/* A word that stays wrong is met 1, 2, 3, ... times in a block, in each bit position that a kernel uses of
 * it: none of these numbers of visits hides it. */
static void check_visits(const struct hf_kernel *kernel, uint64_t visits, uint64_t bit)
{
    uint64_t steps = visits * (hf_arena_words(kernel->level) / kernel->words_per_step);
    enum hf_operands operands = (enum hf_operands)(bit % HF_OPERANDS_COUNT);
    int planted_at = kernel->arena == HF_ARENA_CHASE ? (int)(bit * 29) : (int)(bit * 37);

    kernel->start(state, operands, bit);
    (void)hf_arena_plant(kernel, bit + 64 * (uint64_t)planted_at);
    kernel->advance(state, steps);
    if (kernel->digest(state) == kernel->expect(operands, bit, steps))
        fail_msg("%s %d %s: bit %llu, met %llu times, is hidden", kernel->name, kernel->width_bits,
                 kernel->isa, (unsigned long long)bit, (unsigned long long)visits);
    (void)hf_arena_plant(kernel, bit + 64 * (uint64_t)planted_at);
}

static void test_no_number_of_visits_hides(void **unused)
{
    static const uint64_t visits[] = {1, 2, 3, 4, 6, 8, 16, 64, 256};
    const struct hf_kernel *kernels[256];
    int count = entries(kernels);

    (void)unused;
    for (int i = 0; i < count; i++) {
        int chased = kernels[i]->arena == HF_ARENA_CHASE;
        size_t most = chased ? sizeof visits / sizeof visits[0] : 5;

        /* chase: a quarter of the words is each chain's in words / 4 steps; four of those are a way around */
        for (size_t v = 0; kernels[i]->level == 1 && v < most; v++) {
            for (uint64_t bit = chased ? 27 : 0; bit < 64; bit += bit < 48 ? 5 : 1)
                check_visits(kernels[i], (chased ? HF_CHASE_CHAINS : 1) * visits[v], bit);
        }
    }
}

/* The sums of turned words where the cycle is longer than 2^16, across its end. */
static void test_chase_around_a_long_cycle(void **unused)
{
    const struct hf_kernel *chase = hf_kernel_find("chase-l1", 0);
    struct hf_sizes small, large;

    (void)unused;
    hf_sizes_small(&small);
    large = small;
    large.arena_bytes[1] = UINT64_C(1) << 20;
    hf_sizes_set(&large);
    for (unsigned operands = 0; operands < HF_OPERANDS_COUNT; operands++) {
        for (uint64_t steps = 1; steps < 400000; steps = steps * 3 + 1) {
            chase->start(state, (enum hf_operands)operands, steps);
            chase->advance(state, steps);
            assert_true(chase->digest(state) == chase->expect((enum hf_operands)operands, steps, steps));
        }
    }
    hf_sizes_set(&small);
}

/* Filling and scrubbing give signs of life: one for every HF_ARENA_TICK_WORDS words, none when it is done. */
static void test_signs_of_life(void **unused)
{
    static const char *const names[] = {"chase-memory", "gather-memory", "copy-memory"};
    static _Atomic uint64_t progress;
    struct hf_sizes small, large;
    struct hf_lane_report report;

    (void)unused;
    hf_sizes_small(&small);
    large = small;
    large.arena_bytes[HF_LEVEL_MEMORY] = UINT64_C(64) << 20;
    hf_sizes_set(&large);
    hf_arena_progress = &progress;
    for (int i = 0; i < 3; i++) {
        uint64_t ticks = large.arena_bytes[HF_LEVEL_MEMORY] / 8 / HF_ARENA_TICK_WORDS;
        uint64_t before;

        hf_arena_drop();
        before = progress;
        hf_kernel_find(names[i], 0)->start(state, HF_OPERANDS_FULL, 1);
        assert_true(progress - before >= ticks && progress - before <= ticks + 5); /* 5 parts were mapped */
        before = progress;
        assert_true(hf_arena_scrub(&report) == 0);
        assert_true(progress - before == ticks);
        hf_kernel_find(names[i], 0)->start(state, HF_OPERANDS_FULL, 2); /* filled already */
        assert_true(progress - before == ticks);
    }
    hf_arena_drop();
    hf_arena_progress = NULL;
    hf_sizes_set(&small);
}

/* Sizes are part of the answer, and other sizes fill the arena anew. */
static void test_sizes_change(void **unused)
{
    struct hf_sizes small, large;
    const struct hf_kernel *kernels[256];
    int count = entries(kernels);

    (void)unused;
    hf_sizes_small(&small);
    large = small;
    large.arena_bytes[1] = large.arena_bytes[2] = UINT64_C(1) << 20;
    for (int i = 0; i < count; i++) {
        uint64_t expected[2];

        if (kernels[i]->level != 1)
            continue;
        for (int k = 0; k < 2; k++) {
            hf_sizes_set(k ? &large : &small);
            kernels[i]->start(state, HF_OPERANDS_FULL, 3);
            kernels[i]->advance(state, 4000);
            expected[k] = kernels[i]->expect(HF_OPERANDS_FULL, 3, 4000);
            assert_true(kernels[i]->digest(state) == expected[k]);
        }
        assert_true(expected[0] != expected[1]);
    }
    hf_sizes_set(&small);
}

/* Long runs, once around and more: the wrap. */
static void test_around(void **unused)
{
    const struct hf_kernel *kernels[256];
    int count = entries(kernels);

    (void)unused;
    for (int i = 0; i < count; i++) {
        uint64_t around = hf_arena_words(kernels[i]->level) / kernels[i]->words_per_step;

        if (kernels[i]->level > 2)
            continue;
        for (uint64_t extra = 0; extra < 3; extra++) {
            uint64_t steps = 5 * around + extra - 1;

            kernels[i]->start(state, HF_OPERANDS_CARRY, 11 + extra);
            kernels[i]->advance(state, steps);
            assert_true(kernels[i]->digest(state) ==
                        kernels[i]->expect(HF_OPERANDS_CARRY, 11 + extra, steps));
        }
    }
}

static void test_reserve_and_drop(void **unused)
{
    const struct hf_kernel *chase = hf_kernel_find("chase-memory", 0);
    const struct hf_kernel *copy = hf_kernel_find("copy-l1", 0);
    const struct hf_kernel *list[] = {NULL, copy};
    struct hf_error error = {0};
    struct hf_lane_report report;

    (void)unused;
    hf_arena_drop();
    assert_int_equal(hf_arena_any(), 0);
    assert_true(hf_arena_scrub(&report) == 0);
    assert_int_equal(hf_arena_reserve(chase, &error), HF_OK);
    assert_int_equal(hf_arena_any(), 0); /* mapped, not filled */
    chase->start(state, HF_OPERANDS_FULL, 1);
    copy->start(state, HF_OPERANDS_FULL, 1);
    assert_true(hf_arenas[HF_ARENA_CHASE].mask != 0 && hf_arenas[HF_ARENA_COPY].mask != 0);
    hf_arena_keep(list, 2);
    assert_true(hf_arenas[HF_ARENA_CHASE].words == NULL && hf_arenas[HF_ARENA_COPY].mask != 0);
    assert_int_equal(hf_arena_reserve(hf_kernel_find("branch", 0), &error), HF_OK);
    assert_int_equal(hf_arena_plant(hf_kernel_find("branch", 0), 1), 0);
    hf_arena_drop();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_one_cycle),
        cmocka_unit_test(test_arena_is_left_as_found),
        cmocka_unit_test(test_planted_in_arena),
        cmocka_unit_test(test_planted_every_bit_position),
        cmocka_unit_test(test_sizes_change),
        cmocka_unit_test(test_around),
        cmocka_unit_test(test_reserve_and_drop),
        cmocka_unit_test(test_no_number_of_visits_hides),
        cmocka_unit_test(test_chase_around_a_long_cycle),
        cmocka_unit_test(test_signs_of_life),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
