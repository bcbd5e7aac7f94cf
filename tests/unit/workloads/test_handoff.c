/* handoff: two threads as partners, and partners that are late, stopped, dead or wrong. */
#include <pthread.h>
#include <sched.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "holdfast/kernel.h"
#include "holdfast/mix.h"
#include "workloads/team.h"

#define ATTEMPTS 30 /* on a crowded machine two threads are seldom there together */
#define BURSTS   400
#define STEPS    50

static struct hf_team_pair pair;
static _Alignas(64) unsigned char state[1024];

static const struct hf_kernel *kernel_of(enum hf_scope scope)
{
    return hf_kernel_find(scope == HF_SCOPE_GROUP ? "handoff-group" : "handoff-across", 64);
}

struct partner {
    pthread_t thread;
    int side;
    enum hf_scope scope;
    int cpu; /* -1: any */
    uint64_t met, foreign, wrong;
};

/* Many bursts, each a block of its own. */
static void *work(void *argument)
{
    struct partner *partner = argument;
    const struct hf_kernel *kernel = kernel_of(partner->scope);
    _Alignas(64) unsigned char own[1024];
    cpu_set_t cpus;

    CPU_ZERO(&cpus);
    CPU_SET(partner->cpu < 0 ? 0 : (unsigned)partner->cpu, &cpus);
    if (partner->cpu >= 0)
        (void)pthread_setaffinity_np(pthread_self(), sizeof cpus, &cpus);
    hf_team_join(partner->scope, &pair, partner->side);
    for (uint64_t burst = 0; burst < BURSTS; burst++) {
        enum hf_operands operands = (enum hf_operands)(burst % HF_OPERANDS_COUNT);
        uint64_t met, foreign;

        kernel->start(own, operands, burst);
        kernel->advance(own, STEPS);
        kernel->advance(own, 1);
        partner->wrong += kernel->digest(own) != kernel->expect(operands, burst, STEPS + 1);
        kernel->partnered(own, &met, &foreign);
        partner->met += met;
        partner->foreign |= foreign;
    }
    return NULL;
}

/* Both sides, whatever the scheduler does: right answers, nothing lost. Returns the exchanges that were met.
 */
static uint64_t both_work(enum hf_scope scope, const int cpus[2])
{
    struct partner partners[2] = {{.side = 0, .scope = scope, .cpu = cpus[0]},
                                  {.side = 1, .scope = scope, .cpu = cpus[1]}};

    memset(&pair, 0, sizeof pair);
    for (int i = 0; i < 2; i++)
        assert_int_equal(pthread_create(&partners[i].thread, NULL, work, &partners[i]), 0);
    for (int i = 0; i < 2; i++)
        assert_int_equal(pthread_join(partners[i].thread, NULL), 0);
    for (int i = 0; i < 2; i++) {
        assert_true(partners[i].wrong == 0 && partners[i].foreign == 0);
        assert_true(atomic_load(&pair.count[i]) == BURSTS * (STEPS + 1)); /* false sharing lost nothing */
    }
    assert_true(atomic_load(&pair.guarded[0]) <= 2 * BURSTS * (STEPS + 1));
    assert_true(atomic_load(&pair.lock) == 0);
    return partners[0].met + partners[1].met;
}

static void test_two_partners(void **unused)
{
    cpu_set_t allowed;
    int cpus[2] = {-1, -1};
    int count = 0;

    (void)unused;
    assert_int_equal(sched_getaffinity(0, sizeof allowed, &allowed), 0);
    for (int cpu = 0; cpu < CPU_SETSIZE && count < 2; cpu++) {
        if (CPU_ISSET((unsigned)cpu, &allowed))
            cpus[count++] = cpu;
    }
    for (int scope = 0; scope < HF_SCOPES; scope++) {
        uint64_t met = 0;

        for (int attempt = 0; attempt < ATTEMPTS && met == 0; attempt++)
            met = both_work((enum hf_scope)scope, cpus);
        print_message("scope %d: %llu of %d exchanges met\n", scope, (unsigned long long)met,
                      2 * BURSTS * (STEPS + 1));
        assert_true(count < 2 || met > 0); /* with two CPUs they are there together at some time */
    }
}

/* Run `steps` with a partner that does nothing. */
static void run(uint64_t steps, uint64_t *ret_met, uint64_t *ret_foreign, int *ret_right)
{
    const struct hf_kernel *kernel = kernel_of(HF_SCOPE_GROUP);

    kernel->start(state, HF_OPERANDS_FULL, 5);
    kernel->advance(state, steps);
    *ret_right = kernel->digest(state) == kernel->expect(HF_OPERANDS_FULL, 5, steps);
    kernel->partnered(state, ret_met, ret_foreign);
}

static void test_no_partner(void **unused)
{
    uint64_t met, foreign;
    int right;

    (void)unused;
    hf_team_join(HF_SCOPE_GROUP, NULL, 0);
    run(500, &met, &foreign, &right);
    assert_true(right && met == 0 && foreign == 0);
}

/* A partner that never comes costs one short wait, not one a step. */
static void test_silent_partner(void **unused)
{
    double best_s = 1e9;

    (void)unused;
    memset(&pair, 0, sizeof pair);
    hf_team_join(HF_SCOPE_GROUP, &pair, 1);
    for (int i = 0; i < 20; i++) {
        uint64_t begin = hf_ticks_now();
        uint64_t met, foreign;
        int right;
        double took_s;

        run(1000, &met, &foreign, &right);
        took_s = (double)(hf_ticks_now() - begin) / hf_ticks_per_second();
        best_s = took_s < best_s ? took_s : best_s;
        assert_true(right && met == 0 && foreign == 0);
    }
    assert_true(best_s < 2e-3);
}

static void partner_writes(uint64_t number, uint64_t wrong_bits)
{
    for (int i = 0; i < HF_TOKEN_WORDS; i++)
        atomic_store(&pair.side[1].word[i], hf_token_word(number, i));
    atomic_store(&pair.side[1].word[3], hf_token_word(number, 3) ^ wrong_bits);
    atomic_store(&pair.side[1].number, number);
}

/* A token that is wrong in memory is the partner's: not this core's failure, and not forgotten. */
static void test_wrong_token(void **unused)
{
    uint64_t met, foreign;
    int right;

    (void)unused;
    for (int bit = 0; bit < 64; bit++) {
        memset(&pair, 0, sizeof pair);
        hf_team_join(HF_SCOPE_GROUP, &pair, 0);
        partner_writes(10, 0);
        run(3, &met, &foreign, &right);
        assert_true(right && foreign == 0 && atomic_load(&pair.side[0].seen) == 10);
        partner_writes(11, UINT64_C(1) << bit);
        run(3, &met, &foreign, &right);
        assert_true(right && foreign == UINT64_C(1) << bit);
        partner_writes(12, 0);
        atomic_fetch_xor(&pair.side[1].number, UINT64_C(1) << bit); /* a wrong number has the wrong words */
        run(3, &met, &foreign, &right);
        assert_true(right && foreign != 0);
    }
}

/* An older number again: the sequence is part of the answer. */
static void test_wrong_sequence(void **unused)
{
    uint64_t met, foreign;
    int right;

    (void)unused;
    memset(&pair, 0, sizeof pair);
    hf_team_join(HF_SCOPE_GROUP, &pair, 0);
    partner_writes(10, 0);
    run(2, &met, &foreign, &right);
    partner_writes(9, 0);
    run(2, &met, &foreign, &right);
    assert_true(right && foreign != 0);
}

/* What this core left in its own lines is its own fault when it is wrong. */
static void test_own_line_wrong(void **unused)
{
    const struct hf_kernel *kernel = kernel_of(HF_SCOPE_GROUP);

    (void)unused;
    for (int bit = 0; bit < 64; bit++) {
        uint64_t met, foreign;
        int right;

        memset(&pair, 0, sizeof pair);
        hf_team_join(HF_SCOPE_GROUP, &pair, 0);
        run(5, &met, &foreign, &right);
        assert_true(right);
        kernel->start(state, HF_OPERANDS_FULL, 5);
        atomic_fetch_xor(&pair.side[0].word[bit % HF_TOKEN_WORDS], UINT64_C(1) << bit);
        kernel->advance(state, 5);
        assert_true(kernel->digest(state) != kernel->expect(HF_OPERANDS_FULL, 5, 5));
        run(5, &met, &foreign, &right);
        assert_true(right); /* once reported, it is gone */
    }
}

/* Guarded words, wrong: the last holder's fault. */
static void test_guarded_wrong(void **unused)
{
    uint64_t met, foreign;
    int right;

    (void)unused;
    memset(&pair, 0, sizeof pair);
    hf_team_join(HF_SCOPE_GROUP, &pair, 0);
    run(5, &met, &foreign, &right);
    assert_true(right && foreign == 0 && atomic_load(&pair.holder) == 1);
    atomic_fetch_xor(&pair.guarded[1], 4);
    run(5, &met, &foreign, &right);
    assert_true(!right && foreign == 0);
    atomic_fetch_xor(&pair.guarded[1], 4);
    atomic_store(&pair.holder, 2); /* the partner wrote them last */
    run(5, &met, &foreign, &right);
    assert_true(right && foreign == 4);
}

/* A partner that died with the lock: nobody waits for it; when its worker begins anew, the lock is free
 * again. */
static void test_dead_holder(void **unused)
{
    uint64_t met, foreign, guarded;
    int right;

    (void)unused;
    memset(&pair, 0, sizeof pair);
    hf_team_join(HF_SCOPE_GROUP, &pair, 0);
    run(5, &met, &foreign, &right);
    atomic_store(&pair.lock, 2);
    atomic_store(&pair.guarded[0], 99); /* half written */
    atomic_store(&pair.side[1].number, 0);
    guarded = atomic_load(&pair.guarded[1]);
    run(5, &met, &foreign, &right);
    assert_true(right && foreign == 0 && atomic_load(&pair.guarded[1]) == guarded);
    hf_team_join(HF_SCOPE_GROUP, &pair, 1); /* the new worker of the other side */
    run(5, &met, &foreign, &right);
    assert_true(right && foreign == 0 && atomic_load(&pair.lock) == 0);
    hf_team_join(HF_SCOPE_GROUP, &pair, 0);
    run(5, &met, &foreign, &right);
    assert_true(right && foreign == 0 && atomic_load(&pair.guarded[1]) != guarded);
}

static void test_plan(void **unused)
{
    const int group[] = {0, 0, 0, 1, 1, 2, 2, 2, 2};
    const int rank[] = {0, 1, 2, 0, 1, 0, 1, 2, 3};
    struct hf_team_seat seats[9][HF_SCOPES];

    (void)unused;
    assert_int_equal(hf_team_plan(group, rank, 9, seats), 1 + 1 + 2 + 2);
    assert_int_equal(seats[0][HF_SCOPE_GROUP].partner, 1);
    assert_int_equal(seats[2][HF_SCOPE_GROUP].pair, -1); /* three in a group: one is alone */
    assert_int_equal(seats[2][HF_SCOPE_GROUP].partner, -1);
    assert_int_equal(seats[7][HF_SCOPE_GROUP].partner, 8);
    assert_int_equal(seats[0][HF_SCOPE_ACROSS].partner, 3);
    assert_int_equal(seats[4][HF_SCOPE_ACROSS].partner, 1);
    assert_int_equal(seats[5][HF_SCOPE_ACROSS].pair, -1); /* three groups: one has nobody */
    for (int scope = 0; scope < HF_SCOPES; scope++) {
        for (int i = 0; i < 9; i++) {
            const struct hf_team_seat *seat = &seats[i][scope];

            if (seat->partner < 0)
                continue;
            assert_int_equal(seats[seat->partner][scope].partner, i);
            assert_int_equal(seats[seat->partner][scope].pair, seat->pair);
            assert_int_equal(seats[seat->partner][scope].side, 1 - seat->side);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_two_partners),   cmocka_unit_test(test_no_partner),
        cmocka_unit_test(test_silent_partner), cmocka_unit_test(test_wrong_token),
        cmocka_unit_test(test_wrong_sequence), cmocka_unit_test(test_own_line_wrong),
        cmocka_unit_test(test_guarded_wrong),  cmocka_unit_test(test_dead_holder),
        cmocka_unit_test(test_plan),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
