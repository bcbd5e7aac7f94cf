/*
 * Bits flipped from outside in running kernels: every entry of the registry that can run here, one or two
 * bits of a random register, of the state or of the stack, at a random moment of a block. Nothing may be
 * missed.
 *
 *   HOLDFAST_INJECTIONS=N           per entry (300)
 *   HOLDFAST_INJECT_SEED=N          draws (printed)
 *   HOLDFAST_INJECT_KERNEL=NAME     one kernel only
 *   HOLDFAST_INJECT_PARTS=N, HOLDFAST_INJECT_PART=1..N   a share of the registry
 *
 * Not flipped: the control register of the vector unit (a rounding mode is no data), code, constants in
 * read-only memory. The detector's own proof is a kernel that forgets: it must be caught missing something.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#define EXIT_SKIPPED 77

#if defined(__x86_64__) && !defined(HOLDFAST_SANITIZED)

#include "inject/injector.h"

#define OPERAND_SEEDS 2
#define TRUTHS        (HF_OPERANDS_COUNT * OPERAND_SEEDS)
#define BLOCK_NS      250000.0
#define BURST_NS      30000.0
#define MISSES_SHOWN  10
#define ENTRIES_MAX   512

static struct injector injector;
static uint64_t seed = 20261125;
static int injections = 300;
static const char *only;
static int part, parts = 1;

struct tally {
    uint64_t count[KIND_COUNT][OUTCOME_COUNT];
    uint64_t probed[KIND_COUNT];
    uint64_t in_use[KIND_COUNT];
    uint64_t in_kernel;
    int shown;
};

static uint64_t environment_number(const char *name, uint64_t otherwise)
{
    const char *text = getenv(name);

    return text == NULL || *text == '\0' ? otherwise : strtoull(text, NULL, 0);
}

/* --- what an undisturbed block gives --- */

static double step_ns(const struct hf_kernel *kernel, void *state)
{
    double least = 1e18;

    kernel->start(state, HF_OPERANDS_FULL, 1);
    for (int i = 0; i < 5; i++) {
        uint64_t began = now_ns();
        double each;

        kernel->advance(state, kernel->burst_steps);
        each = (double)(now_ns() - began + 1) / (double)kernel->burst_steps;
        least = each < least ? each : least;
    }
    return least;
}

static void bursts_run(const struct order *order, void *state)
{
    for (uint64_t burst = 0; burst < order->bursts; burst++)
        order->kernel->advance(state, order->burst_steps);
}

/* The entry runs here, in this process, and its answer is right. */
static void truth_find(struct truth *truth, const struct hf_kernel *kernel, double ns,
                       enum hf_operands operands, uint64_t operand_seed)
{
    uint64_t burst_steps = BURST_NS / ns < 1 ? 1 : (uint64_t)(BURST_NS / ns);
    double bursts = BLOCK_NS / ((double)burst_steps * ns);
    unsigned char *state = injector.snapshot.state;

    truth->order = (struct order){.kernel = kernel,
                                  .operands = operands,
                                  .seed = operand_seed,
                                  .burst_steps = burst_steps,
                                  .bursts = bursts < 2 ? 2 : (uint64_t)bursts};
    truth->steps = truth->order.burst_steps * truth->order.bursts;
    truth->expected = kernel->expect(operands, operand_seed, truth->steps);
    truth->expected_after_two = kernel->expect(operands, operand_seed, 2 * truth->steps);
    if (truth->state == NULL) {
        truth->state = map_own(injector.state_bytes_max);
        truth->state_after_two = map_own(injector.state_bytes_max);
    }
    memset(state, 0, kernel->state_bytes);
    kernel->start(state, operands, operand_seed);
    bursts_run(&truth->order, state);
    assert_true(kernel->digest(state) == truth->expected);
    memcpy(truth->state, state, kernel->state_bytes);
    bursts_run(&truth->order, state);
    assert_true(kernel->digest(state) == truth->expected_after_two);
    memcpy(truth->state_after_two, state, kernel->state_bytes);
}

/* Undisturbed blocks in the target must be judged to be without effect; returns how long one takes. */
static uint64_t control(const struct truth *truths)
{
    uint64_t least = UINT64_MAX;

    for (int i = 0; i < 4 * OPERAND_SEEDS; i++) {
        enum outcome outcome = block_give(&injector, &truths[i % OPERAND_SEEDS].order, 0);

        if (outcome == OUTCOME_NONE)
            outcome = judge(&injector, &truths[i % OPERAND_SEEDS]);
        if (outcome != OUTCOME_NONE)
            fail_msg("%s %s: an undisturbed block is judged %s", truths[0].order.kernel->name,
                     truths[0].order.kernel->isa, outcome_names[outcome]);
        if (injector.stage->block_ns < least)
            least = injector.stage->block_ns;
    }
    return least;
}

/* --- injections into one entry --- */

static void show_miss(const struct truth *truth, enum outcome outcome)
{
    const struct hf_kernel *kernel = truth->order.kernel;
    const struct flip *flip = &injector.flip;

    fprintf(stderr, "%s: %s %d %s, operands %s: %s %u, bit %u", outcome_names[outcome], kernel->name,
            kernel->width_bits, kernel->isa, hf_operands_name(truth->order.operands), kind_names[flip->kind],
            flip->number, flip->bits[0]);
    if (flip->bit_count == 2)
        fprintf(stderr, " and %u", flip->bits[1]);
    for (size_t i = 0; i < kernel->state_bytes; i++) {
        if (injector.state[i] != truth->state[i]) {
            fprintf(stderr, ", differs from byte %zu on", i);
            break;
        }
    }
    fprintf(stderr, ", advance%+lld, steps %llu of %llu\n",
            (long long)(injector.struck_at - (uint64_t)(uintptr_t)kernel->advance),
            (unsigned long long)injector.stage->steps, (unsigned long long)truth->steps);
}

/* All with one operand set: an arena stays filled for it, here and in the targets. */
static void operands_run(struct truth truths[OPERAND_SEEDS], int count, struct tally *tally)
{
    target_end(&injector); /* the next one is a fork of what is now */
    injector.block_ns = 0;
    injector.block_ns = control(truths);
    for (int i = 0; i < count; i++) {
        const struct truth *truth = &truths[i % OPERAND_SEEDS];
        int in_use;
        enum outcome outcome = inject(&injector, truth, &in_use);
        enum kind kind = injector.flip.kind;

        tally->count[kind][outcome]++;
        tally->probed[kind] += in_use >= 0;
        tally->in_use[kind] += in_use > 0;
        tally->in_kernel += (uint64_t)injector.struck_in_kernel;
        if (outcome == OUTCOME_MISSED && tally->shown++ < MISSES_SHOWN)
            show_miss(truth, outcome);
    }
}

static void entry_run(const struct hf_kernel *kernel, int count, struct tally *tally)
{
    static struct truth truths[OPERAND_SEEDS];
    double ns = step_ns(kernel, injector.state);

    for (unsigned set = 0; set < HF_OPERANDS_COUNT; set++) {
        for (int i = 0; i < OPERAND_SEEDS; i++)
            truth_find(&truths[i], kernel, ns, (enum hf_operands)set, hf_random_u64(&injector.random));
        operands_run(truths, count / HF_OPERANDS_COUNT, tally);
    }
    target_end(&injector);
}

/* --- the table --- */

/* Kinds that share a column. */
#define COLUMNS 6

static const char *const column_names[COLUMNS] = {"vector, mask, x87", "general", "state", "arena", "stack",
                                                  "pc, sp, flags"};

static int column_of(int kind)
{
    static const int columns[KIND_COUNT] = {0, 0, 0, 1, 2, 3, 4, 5, 5, 5};

    return columns[kind];
}

static void print_head(void)
{
    printf("| kernel | width | entry |");
    for (int column = 0; column < COLUMNS; column++)
        printf(" %s |", column_names[column]);
    printf(" word in use | in kernel | missed |\n| --- | --- | --- |");
    for (int column = 0; column < COLUMNS; column++)
        printf(" --- |");
    printf(" --- | --- | --- |\n");
}

static uint64_t missed_in(const struct tally *tally)
{
    uint64_t missed = 0;

    for (int kind = 0; kind < KIND_COUNT; kind++)
        missed += tally->count[kind][OUTCOME_MISSED];
    return missed;
}

/* A cell: reported / died or hung / without effect. */
static void print_row(const char *name, int width, const char *isa, const struct tally *tally, int count)
{
    uint64_t probed = 0;
    uint64_t in_use = 0;

    printf("| %s | %d | %s |", name, width, isa);
    for (int column = 0; column < COLUMNS; column++) {
        uint64_t sum[OUTCOME_COUNT] = {0};

        for (int kind = 0; kind < KIND_COUNT; kind++) {
            for (int outcome = 0; outcome < OUTCOME_COUNT && column_of(kind) == column; outcome++)
                sum[outcome] += tally->count[kind][outcome];
        }
        printf(" %llu / %llu / %llu |", (unsigned long long)sum[OUTCOME_REPORTED],
               (unsigned long long)(sum[OUTCOME_DIED] + sum[OUTCOME_HUNG]),
               (unsigned long long)(sum[OUTCOME_NONE] + sum[OUTCOME_SCRATCH]));
    }
    for (int kind = 0; kind < KIND_COUNT; kind++) {
        probed += tally->probed[kind];
        in_use += tally->in_use[kind];
    }
    printf(" %llu of %llu | %.0f %% | %llu |\n", (unsigned long long)in_use, (unsigned long long)probed,
           100.0 * (double)tally->in_kernel / count, (unsigned long long)missed_in(tally));
}

static void print_kinds(const struct tally *total)
{
    printf("\n| what was flipped |");
    for (int outcome = 0; outcome < OUTCOME_COUNT; outcome++)
        printf(" %s |", outcome_names[outcome]);
    printf("\n| --- |");
    for (int outcome = 0; outcome < OUTCOME_COUNT; outcome++)
        printf(" --- |");
    for (int kind = 0; kind < KIND_COUNT; kind++) {
        printf("\n| %s |", kind_names[kind]);
        for (int outcome = 0; outcome < OUTCOME_COUNT; outcome++)
            printf(" %llu |", (unsigned long long)total->count[kind][outcome]);
    }
    printf("\n");
}

static void tally_add(struct tally *total, const struct tally *tally)
{
    for (int kind = 0; kind < KIND_COUNT; kind++) {
        for (int outcome = 0; outcome < OUTCOME_COUNT; outcome++)
            total->count[kind][outcome] += tally->count[kind][outcome];
    }
}

/* --- all entries --- */

static void (*pulse_in_turn)(void *state, uint64_t steps, uint64_t on_stages, uint64_t turns);

static void pulse_advance(void *state, uint64_t steps)
{
    pulse_in_turn(state, steps, 1, 20);
}

/* A kernel's pulses are another loop than its advance(). */
static struct hf_kernel pulsed(const struct hf_kernel *kernel)
{
    struct hf_kernel copy = *kernel;

    pulse_in_turn = kernel->pulse;
    copy.advance = pulse_advance;
    return copy;
}

static void row_run(const struct hf_kernel *kernel, const char *addition, struct tally *total)
{
    struct tally tally = {0};
    char isa[64];

    (void)snprintf(isa, sizeof isa, "%s%s", kernel->isa, addition);
    entry_run(kernel, injections, &tally);
    print_row(kernel->name, kernel->width_bits, isa, &tally, injections);
    tally_add(total, &tally);
}

/* One of `parts` shares of the registry: they can run side by side. Returns how many entries were hit. */
static int registry_run(struct tally *total)
{
    int entries = 0;

    for (int i = 0; i < hf_kernel_count(); i++) {
        const struct hf_kernel *entry[HF_KERNEL_ENTRIES_MAX];
        int count = hf_kernel_entries(i, entry);

        if (i % parts != part || (only != NULL && strcmp(only, entry[0]->name) != 0))
            continue;
        for (int e = 0; e < count; e++) {
            row_run(entry[e], "", total);
            entries++;
            if (entry[e]->pulse != NULL) {
                struct hf_kernel copy = pulsed(entry[e]);

                row_run(&copy, ", pulses", total);
            }
        }
    }
    return entries;
}

static void test_nothing_is_missed(void **unused)
{
    struct tally total = {0};
    int entries;

    (void)unused;
    printf("part %d of %d, seed %llu, %d injections an entry; cells: reported / died or hung / without "
           "effect\n\n",
           part + 1, parts, (unsigned long long)seed, injections);
    print_head();
    entries = registry_run(&total);
    print_kinds(&total);
    assert_true(entries > 0);
    assert_true(total.count[KIND_GENERAL][OUTCOME_REPORTED] > 0);
    assert_true(total.count[KIND_MEMORY][OUTCOME_REPORTED] > 0);
    assert_int_equal(missed_in(&total), 0);
}

/* --- a kernel that forgets --- */

struct forgetful {
    uint64_t lane[4];
    uint64_t unused[4];
};

static void forgetful_start(void *opaque, enum hf_operands operands, uint64_t start_seed)
{
    struct forgetful *state = opaque;

    (void)operands;
    *state = (struct forgetful){.lane = {start_seed, start_seed + 1, start_seed + 2, start_seed + 3}};
}

static void forgetful_advance(void *opaque, uint64_t steps)
{
    struct forgetful *state = opaque;

    for (uint64_t step = 0; step < steps; step++) {
        for (int i = 0; i < 4; i++) {
            state->lane[i] = state->lane[i] * 5 + 1;
            __asm__ volatile("" : "+m"(state->lane[i]));
        }
    }
}

/* Lane 3 is not in it. */
static uint64_t forgetful_digest(const void *opaque)
{
    const struct forgetful *state = opaque;

    return state->lane[0] * 3 + state->lane[1] * 5 + state->lane[2] * 7;
}

static uint64_t forgetful_expect(enum hf_operands operands, uint64_t start_seed, uint64_t steps)
{
    struct forgetful state;

    forgetful_start(&state, operands, start_seed);
    forgetful_advance(&state, steps);
    return forgetful_digest(&state);
}

static void test_forgetful_kernel_is_caught(void **unused)
{
    struct hf_kernel kernel = {
        .name = "forgetful",
        .isa = "test",
        .width_bits = 64,
        .state_bytes = sizeof(struct forgetful),
        .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,
        .burst_steps = 2000,
        .start = forgetful_start,
        .advance = forgetful_advance,
        .digest = forgetful_digest,
        .expect = forgetful_expect,
    };
    struct tally tally = {0};

    (void)unused;
    entry_run(&kernel, 400, &tally);
    print_row(kernel.name, kernel.width_bits, kernel.isa, &tally, 400);
    assert_true(tally.count[KIND_MEMORY][OUTCOME_REPORTED] > 0);
    assert_true(tally.count[KIND_MEMORY][OUTCOME_MISSED] > 0);  /* lane 3 */
    assert_true(tally.count[KIND_MEMORY][OUTCOME_SCRATCH] > 0); /* unused */
    assert_int_equal(tally.count[KIND_MEMORY][OUTCOME_DIED], 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_forgetful_kernel_is_caught),
        cmocka_unit_test(test_nothing_is_missed),
    };

    setvbuf(stdout, NULL, _IOLBF, 0);
    seed = environment_number("HOLDFAST_INJECT_SEED", seed);
    injections = (int)environment_number("HOLDFAST_INJECTIONS", 300);
    only = getenv("HOLDFAST_INJECT_KERNEL");
    parts = (int)environment_number("HOLDFAST_INJECT_PARTS", 1);
    part = (int)environment_number("HOLDFAST_INJECT_PART", 1) - 1;
    if (injections < 4 || parts < 1 || part < 0 || part >= parts) {
        fprintf(stderr, "at least 4 injections, and a part that there is\n");
        return 2;
    }
    if (!injector_init(&injector, hf_kernel_state_bytes_max(), seed))
        return 1;
    return cmocka_run_group_tests(tests, NULL, NULL);
}

#else

int main(void)
{
    printf("SKIP: registers are flipped on x86-64 only, in code without sanitizers\n");
    return EXIT_SKIPPED;
}

#endif
