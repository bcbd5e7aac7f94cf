/*
 * The process that faults are injected into: it runs one block at a time of one entry, as a worker does, and
 * stops at a gate (a breakpoint instruction) before the first block and after each.
 *
 * Both processes see the stage and the state; the state lies between two pages that nobody may touch. Nothing
 * that the target writes is believed: the injector knows what it asked for.
 */
#ifndef HOLDFAST_TESTS_INJECT_TARGET_H
#define HOLDFAST_TESTS_INJECT_TARGET_H

#include <assert.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/ptrace.h>
#include <sys/resource.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

#include "holdfast/kernel.h"
#include "workloads/arena.h"

#define PAGE 4096u

enum phase {
    PHASE_BEFORE,
    PHASE_BLOCK, /* start, advance, digest */
    PHASE_CHECK, /* the target's own look at the known answer */
    PHASE_DONE
};

/* One block's orders and results. */
struct order {
    const struct hf_kernel *kernel; /* the same address in both: the target is a fork */
    enum hf_operands operands;
    uint64_t seed;
    uint64_t burst_steps;
    uint64_t bursts;
};

struct stage {
    struct order order;
    long delay_us; /* until the timer stops the target; 0: never */
    volatile int phase;
    volatile uint64_t turn; /* given by the injector, given back when the block is done */
    volatile uint64_t turn_done;
    volatile uint64_t steps;
    volatile uint64_t digest;
    volatile uint64_t expected;
    volatile uint64_t block_ns; /* how long the part until the digest took */
    volatile uint64_t stack_top;
    volatile uint64_t arena; /* address and words, when the kernel has one */
    volatile uint64_t arena_words;
    volatile int scrub;         /* asked for by the injector */
    volatile uint64_t scrubbed; /* wrong words found */
};

/* Shared memory with untouchable pages before and after it. */
static void *map_guarded(size_t bytes)
{
    size_t whole = (bytes + PAGE - 1) / PAGE * PAGE;
    char *area = mmap(NULL, whole + 2 * PAGE, PROT_NONE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);

    if (area == MAP_FAILED || mprotect(area + PAGE, whole, PROT_READ | PROT_WRITE) != 0)
        abort();
    return area + PAGE;
}

/* The injector's own: not there at all in a target, whose stores may go astray. */
static void *map_own(size_t bytes)
{
    void *area = map_guarded(bytes);

    if (madvise(area, (bytes + PAGE - 1) / PAGE * PAGE, MADV_DONTFORK) != 0)
        abort();
    return area;
}

static uint64_t now_ns(void)
{
    struct timespec now;

    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec;
}

static void set_timer(long delay_us)
{
    struct itimerval timer = {.it_value = {.tv_usec = delay_us}};

    (void)setitimer(ITIMER_REAL, &timer, NULL);
}

/* The loop of a worker's block: bursts, the count of steps that belongs to them, digest. The count is also
 * what ends it here, where a worker has its deadline. Padding that start() leaves alone is the same every
 * time. */
static __attribute__((noinline)) void block_run(const struct order *order, void *state, uint64_t *ret_steps,
                                                uint64_t *ret_digest)
{
    uint64_t steps = 0;

    order->kernel->start(state, order->operands, order->seed);
    while (steps < order->bursts * order->burst_steps) {
        order->kernel->advance(state, order->burst_steps);
        steps += order->burst_steps;
    }
    *ret_digest = order->kernel->digest(state);
    *ret_steps = steps;
}

static void arena_show(struct stage *stage)
{
    const struct hf_arena *arena = &hf_arenas[stage->order.kernel->arena];
    int has_one = stage->order.kernel->arena != HF_ARENA_NONE && arena->mask != 0;

    stage->arena = (uint64_t)(uintptr_t)(has_one ? arena->words : NULL);
    stage->arena_words = has_one ? arena->mask + 1 : 0;
}

static void target_turn(struct stage *stage, void *state)
{
    uint64_t steps = 0;
    uint64_t digest = 0;
    uint64_t began;
    struct hf_lane_report report;

    arena_show(stage);
    memset(state, 0, stage->order.kernel->state_bytes); /* padding that start() leaves alone */
    stage->stack_top = (uint64_t)(uintptr_t)__builtin_frame_address(0);
    if (stage->delay_us != 0)
        set_timer(stage->delay_us);
    began = now_ns();
    stage->phase = PHASE_BLOCK;
    block_run(&stage->order, state, &steps, &digest);
    stage->phase = PHASE_CHECK;
    stage->steps = steps;
    stage->digest = digest;
    stage->block_ns = now_ns() - began;
    stage->expected = stage->order.kernel->expect(stage->order.operands, stage->order.seed, steps);
    if (stage->scrub)
        stage->scrubbed = hf_arena_scrub(&report);
    stage->phase = PHASE_DONE;
    set_timer(0);
    stage->turn_done = stage->turn;
}

static __attribute__((noreturn)) void target_main(struct stage *stage, void *state)
{
    struct rlimit no_core = {0, 0};

    (void)prctl(PR_SET_PDEATHSIG, SIGKILL);
    (void)setrlimit(RLIMIT_CORE, &no_core);
    /* what its asserts say, or code that it strays into, is of no interest */
    if (freopen("/dev/null", "w", stdout) == NULL || freopen("/dev/null", "w", stderr) == NULL ||
        ptrace(PTRACE_TRACEME, 0, NULL, NULL) != 0)
        _exit(1);
    for (;;) {
        __asm__ volatile("int3" : : : "memory");
        target_turn(stage, state);
    }
}

#endif
