/* The judge: who is blamed when answers differ. Blocks are run here and put into a worker's ring; no process
 * is started. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "harness/judge.h"
#include "holdfast/topology.h"
#include "workloads/arena.h"

#define WORKERS 6 /* in three groups of two */

static uv_loop_t loop;
static struct hf_pool *pool;
static struct hf_judge judge;
static int16_t cpus[HF_CPUS_MAX];
static int cpu_count;
static struct hf_slice programme; /* of every number */
static int visits;
static struct hf_slice visited;
static _Alignas(64) unsigned char states[HF_BLOCK_STATES * 262144];
static volatile int never;

static void on_death(void *context, struct hf_worker *worker, int64_t exit_status, int signal_number)
{
    (void)context;
    (void)worker;
    (void)exit_status;
    (void)signal_number;
}

static void slice_source(void *context, uint64_t number, struct hf_slice *ret_slice)
{
    (void)context;
    *ret_slice = programme;
    ret_slice->number = number;
}

static void visitor(void *context, const struct hf_worker *worker, const struct hf_slice *slice,
                    const struct hf_block_record *record)
{
    (void)context;
    (void)worker;
    (void)record;
    visits++;
    visited = *slice;
}

static int set_up(void **unused)
{
    struct hf_pool_place places[WORKERS];
    struct hf_error error = {0};

    (void)unused;
    assert_true(HF_BLOCK_STATES * hf_kernel_state_bytes_max() <= sizeof states);
    assert_int_equal(hf_allowed_cpus(cpus, HF_CPUS_MAX, &cpu_count, &error), HF_OK);
    for (int i = 0; i < WORKERS; i++)
        places[i] = (struct hf_pool_place){
            .group = i / 2, .rank = i % 2, .profile_cpu = 100 + i, .real_cpu = cpus[i / 2 % cpu_count]};
    assert_int_equal(uv_loop_init(&loop), 0);
    assert_int_equal(hf_pool_new(&loop, places, WORKERS, on_death, NULL, &pool, &error), HF_OK);
    judge = (struct hf_judge){
        .slice_source = slice_source, .real_cpus = cpus, .real_cpu_count = cpu_count, .home_cpu = -1};
    programme = (struct hf_slice){.seed = 9,
                                  .kernel = hf_kernel_index("wide-multiply", 0),
                                  .solo_kernel = -1,
                                  .stream_kernel = -1,
                                  .length_s = 1};
    visits = 0;
    return 0;
}

static int tear_down(void **unused)
{
    (void)unused;
    hf_pool_free(pool);
    (void)uv_loop_close(&loop);
    return 0;
}

/* A right block of a worker, in its record. */
static struct hf_block_record block_of(const struct hf_worker *worker)
{
    struct hf_place place = pool->shared->place[worker->index];
    struct hf_block_record record = {.slice_number = 5, .block_index = 3, .lane = {.lane = -1}, .from = -1};
    struct hf_slice slice;

    hf_slice_for_group(&programme, place.group, place.group_count, &slice);
    place.epoch_ticks = record.began_ticks = hf_ticks_now();
    hf_block_run(&slice, &place, 77, 1e-3, states, &never, &record.block);
    record.worker_expected = hf_block_expect(&slice, &record.block);
    return record;
}

static enum hf_finding_kind judged(const struct hf_worker *worker, const struct hf_block_record *record,
                                   struct hf_finding *ret_finding)
{
    struct hf_worker_slot *slot = hf_worker_slot_of(worker);
    uint64_t head = atomic_load(&slot->ring_head);

    slot->ring[head % HF_RING_BLOCKS] = *record;
    atomic_store(&slot->ring_head, head + 1);
    judge.has_cached = 0;
    return hf_judge_worker(&judge, worker, visitor, NULL, ret_finding);
}

static void test_right(void **unused)
{
    struct hf_finding finding;
    struct hf_block_record record = block_of(&pool->worker[0]);

    (void)unused;
    assert_int_equal(judged(&pool->worker[0], &record, &finding), HF_FINDING_NONE);
    assert_int_equal(visits, 1);
}

static void test_wrong(void **unused)
{
    struct hf_finding finding;
    struct hf_block_record record = block_of(&pool->worker[1]);

    (void)unused;
    record.block.digest ^= 1;
    assert_int_equal(judged(&pool->worker[1], &record, &finding), HF_FINDING_WRONG_RESULT);
    assert_ptr_equal(finding.blamed, &pool->worker[1]);
    assert_true(finding.expected == record.worker_expected && visits == 0);
    record.block.digest ^= 1;
    record.worker_expected ^=
        2; /* its result is right, its own idea of the answer is not: that core computes too */
    assert_int_equal(judged(&pool->worker[1], &record, &finding), HF_FINDING_WRONG_RESULT);
}

/* The supervisor's core computes wrongly once: the second opinion clears the worker. */
static void spoil_first(int is_second, uint64_t *expected)
{
    if (!is_second)
        *expected ^= UINT64_C(1) << 40;
}

static void test_checker_is_wrong(void **unused)
{
    struct hf_finding finding;
    struct hf_block_record record = block_of(&pool->worker[2]);

    (void)unused;
    judge.spoil = spoil_first;
    assert_int_equal(judged(&pool->worker[2], &record, &finding), HF_FINDING_CHECKER_DOUBTED);
    record.block.digest ^= 8; /* a wrong worker is found all the same */
    assert_int_equal(judged(&pool->worker[2], &record, &finding), HF_FINDING_WRONG_RESULT);
}

/* The second opinion comes from another CPU than the worker's, and the supervisor is back home afterwards. */
static void test_second_opinion_elsewhere(void **unused)
{
    cpu_set_t before, after;

    (void)unused;
    if (cpu_count < 2) {
        print_message("one CPU only: there is no second opinion from elsewhere\n");
        skip();
    }
    assert_int_equal(sched_getaffinity(0, sizeof before, &before), 0);
    for (int i = 0; i < WORKERS; i++) {
        struct hf_block_record record = block_of(&pool->worker[i]);
        struct hf_finding finding;

        record.block.digest ^= 1;
        assert_int_equal(judged(&pool->worker[i], &record, &finding), HF_FINDING_WRONG_RESULT);
        assert_int_not_equal(finding.recomputed_on, -1);
        assert_int_not_equal(finding.recomputed_on, pool->worker[i].place.real_cpu);
        assert_int_equal(sched_getaffinity(0, sizeof after, &after), 0);
        assert_true(CPU_EQUAL(&before, &after));
    }
}

/* What was handed over wrong is blamed on the one who handed it over; but not by a worker that is wrong
 * itself. */
static void test_wrong_handoff(void **unused)
{
    struct hf_block_record record;
    struct hf_finding finding;

    (void)unused;
    programme.kernel = hf_kernel_index("handoff-group", 0);
    record = block_of(&pool->worker[3]);
    record.from = 2;
    record.foreign = 4;
    assert_int_equal(judged(&pool->worker[3], &record, &finding), HF_FINDING_WRONG_HANDOFF);
    assert_ptr_equal(finding.worker, &pool->worker[3]);
    assert_ptr_equal(finding.blamed, &pool->worker[2]);
    record.block.digest ^= 1;
    assert_int_equal(judged(&pool->worker[3], &record, &finding), HF_FINDING_WRONG_RESULT);
    assert_ptr_equal(finding.blamed, &pool->worker[3]);
    record = block_of(&pool->worker[3]);
    record.from = WORKERS; /* nobody: a damaged record points nowhere */
    assert_int_equal(judged(&pool->worker[3], &record, &finding), HF_FINDING_NONE);
}

/* The judge knows which groups keep company, and the finding names what was really run there. */
static void test_company(void **unused)
{
    struct hf_finding finding;
    int company = 0;

    (void)unused;
    programme.company = 1 + hf_kernel_index("chase-l1", 0);
    for (programme.company_turn = 0; programme.company_turn < HF_COMPANY_GROUPS; programme.company_turn++) {
        for (int i = 0; i < WORKERS; i++) {
            struct hf_block_record record = block_of(&pool->worker[i]);
            int expected = (pool->worker[i].place.group + programme.company_turn) % HF_COMPANY_GROUPS == 0;

            visits = 0;
            assert_int_equal(judged(&pool->worker[i], &record, &finding), HF_FINDING_NONE);
            assert_int_equal(visits, 1);
            assert_int_equal(visited.is_company, expected);
            assert_string_equal(hf_kernel_at(visited.kernel)->name, expected ? "chase-l1" : "wide-multiply");
            record.block.digest ^= 1;
            assert_int_equal(judged(&pool->worker[i], &record, &finding), HF_FINDING_WRONG_RESULT);
            assert_int_equal(finding.slice.kernel, visited.kernel);
            company += expected;
        }
    }
    assert_int_equal(company, WORKERS); /* each once: a third */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_right, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_wrong, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_checker_is_wrong, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_second_opinion_elsewhere, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_wrong_handoff, set_up, tear_down),
        cmocka_unit_test_setup_teardown(test_company, set_up, tear_down),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
