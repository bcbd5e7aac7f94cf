/*
 * Runs blocks in a target, stops it at a random moment, flips bits, and judges what came of it.
 *
 *   fresh target --gate--> block --timer--> stopped: bits are flipped --> goes on --> gate: judged
 *                                                                         |-> signal, exit, elsewhere: died
 *                                                                         '-> no end in its time: hung
 *
 * Outcomes:
 *   reported    the target's comparison or the injector's (as the supervisor's) found a wrong digest, or the
 *               scrub at the end found a wrong word in the arena
 *   died, hung  the worker is gone or makes no progress: a verdict of its own
 *   none        digest right and the final state bit for bit that of an undisturbed run
 *   scratch     digest right and the state differs, but only where nothing reads it any more: after a further
 *               block the digest is right too and no other bit differs but those that were flipped in memory
 *               (padding); what a step only uses for itself has been overwritten by then. Or a bit of the
 *               state was flipped when the digest had been taken. Or the pointer to the state was hit before
 *               the block began: all of the block was done, right, at that other address. Or the loop around
 *               the bursts ended early, with the right state and digest of the steps that it says
 *   missed      anything else: wrong state, digest or amount of work without a report
 *
 * Of those without effect some are probed: the target is put back to where it was stopped, and the 32 bits
 * around the flipped one are filled with random ones. If that has an effect, the word was in use and the bit
 * alone did not matter ("word in use"): bits that an instruction drops, or an error that the arithmetic
 * undid.
 */
#ifndef HOLDFAST_TESTS_INJECT_INJECTOR_H
#define HOLDFAST_TESTS_INJECT_INJECTOR_H

#include <errno.h>
#include <stdio.h>
#include <sys/wait.h>

#include "holdfast/random.h"
#include "inject/registers.h"
#include "inject/target.h"

enum kind {
    KIND_VECTOR,
    KIND_MASK,
    KIND_X87,
    KIND_GENERAL,
    KIND_MEMORY, /* the state buffer */
    KIND_ARENA,  /* the memory that a memory kernel works on (workloads/arena.h) */
    KIND_STACK,
    KIND_STACK_POINTER,
    KIND_PROGRAM_COUNTER,
    KIND_FLAGS,
    KIND_COUNT
};

static const char *const kind_names[KIND_COUNT] = {"vector",          "mask",  "x87",   "general",
                                                   "state",           "arena", "stack", "stack pointer",
                                                   "program counter", "flags"};

enum outcome {
    OUTCOME_REPORTED,
    OUTCOME_DIED,
    OUTCOME_HUNG,
    OUTCOME_NONE,
    OUTCOME_SCRATCH,
    OUTCOME_MISSED,
    OUTCOME_COUNT
};

static const char *const outcome_names[OUTCOME_COUNT] = {"reported", "died",    "hung",
                                                         "none",     "scratch", "missed"};

/* One or two bits of one place: bit numbers from the place's first byte. */
struct flip {
    enum kind kind;
    unsigned number; /* of the register; of the 64-bit word in state, arena or stack */
    unsigned bits[2];
    int bit_count;
};

#define STACK_BYTES_MAX    4096u
#define RED_ZONE           128u
#define CPU_BUDGET_NS      UINT64_C(50000000) /* beyond twenty times the block: no progress */
#define WALL_BUDGET_NS     UINT64_C(20000000000)
#define SCRUB_WORDS_ALWAYS 131072
#define ALARMS_MAX         4    /* it sets one timer a block */
#define TRIES_MAX          1000 /* blocks that ended before their timer, one after the other */

/* All that is needed to go back to the moment of the stop. */
struct snapshot {
    struct registers registers;
    struct stage stage;
    uint64_t stack_low;
    size_t stack_bytes;
    unsigned char stack[STACK_BYTES_MAX];
    unsigned char *state;
};

struct injector {
    pid_t pid; /* 0: no target */
    struct stage *stage;
    unsigned char *state;
    size_t state_bytes_max;
    unsigned long long gate; /* program counter at the gate */
    uint64_t block_ns;       /* how long an undisturbed block takes */
    struct layout layout;
    struct hf_random random;
    struct registers registers;
    struct snapshot snapshot;
    int landed; /* the timer stopped the target within a block */
    int probing;
    struct flip flip;
    unsigned long long struck_at; /* program counter at the stop */
    int struck_in_kernel;
};

/* --- the target's life --- */

static void target_end(struct injector *injector)
{
    int status;

    if (injector->pid == 0)
        return;
    (void)kill(injector->pid, SIGKILL);
    (void)waitpid(injector->pid, &status, __WALL);
    injector->pid = 0;
}

static uint64_t cpu_ns(pid_t pid)
{
    clockid_t clock;
    struct timespec used = {0};

    if (clock_getcpuclockid(pid, &clock) == 0)
        (void)clock_gettime(clock, &used);
    return (uint64_t)used.tv_sec * 1000000000u + (uint64_t)used.tv_nsec;
}

/* The next stop or end of the target; 0 when it used up its time. */
static int target_wait(pid_t pid, uint64_t cpu_limit_ns, int *ret_status)
{
    const struct timespec nap = {.tv_nsec = 20000000};
    uint64_t wall_limit = now_ns() + WALL_BUDGET_NS;
    sigset_t child_signal;

    (void)sigemptyset(&child_signal);
    (void)sigaddset(&child_signal, SIGCHLD);
    for (;;) {
        pid_t got = waitpid(pid, ret_status, WNOHANG | __WALL);

        if (got == pid)
            return 1;
        assert(got == 0 || errno == EINTR);
        if (cpu_ns(pid) > cpu_limit_ns || now_ns() > wall_limit)
            return 0;
        (void)sigtimedwait(&child_signal, NULL, &nap);
    }
}

/* A target at its gate. */
static void target_ensure(struct injector *injector)
{
    struct user_regs_struct general;
    int status;

    if (injector->pid != 0)
        return;
    (void)fflush(NULL);
    memset(injector->state, 0, injector->state_bytes_max); /* what the last one did astray */
    injector->pid = fork();
    assert(injector->pid >= 0);
    if (injector->pid == 0)
        target_main(injector->stage, injector->state);
    if (!target_wait(injector->pid, UINT64_MAX, &status) || !WIFSTOPPED(status) ||
        WSTOPSIG(status) != SIGTRAP || ptrace(PTRACE_GETREGS, injector->pid, NULL, &general) != 0) {
        fprintf(stderr, "the target does not come to its gate: status %x\n", (unsigned)status);
        abort();
    }
    injector->gate = general.rip;
}

/* --- flipping --- */

static unsigned char *byte_of_flip(struct injector *injector, struct registers *registers, unsigned bit)
{
    const struct flip *flip = &injector->flip;
    struct user_regs_struct *general = &registers->general;
    unsigned byte = bit / 8;

    switch (flip->kind) {
    case KIND_VECTOR:
        return extended_byte(registers, vector_place(&injector->layout, flip->number, byte));
    case KIND_MASK:
        return extended_byte(registers,
                             (struct place){COMPONENT_MASKS, injector->layout.offset[COMPONENT_MASKS] +
                                                                 8 * flip->number + byte});
    case KIND_X87:
        return extended_byte(registers, (struct place){COMPONENT_X87, X87_OFFSET + 16 * flip->number + byte});
    case KIND_GENERAL:
        return (unsigned char *)general_register(registers, flip->number) + byte;
    case KIND_STACK_POINTER:
        return (unsigned char *)&general->rsp + byte;
    case KIND_PROGRAM_COUNTER:
        return (unsigned char *)&general->rip + byte;
    case KIND_FLAGS:
        return (unsigned char *)&general->eflags + byte;
    case KIND_MEMORY:
        return injector->state + 8 * (size_t)flip->number + byte;
    default:
        return NULL; /* stack and arena: not in this process's reach */
    }
}

/* Memory that only the target has. */
static void poke(struct injector *injector, uint64_t address, uint32_t flipped)
{
    struct iovec remote = {(void *)(uintptr_t)address, sizeof(uint32_t)};
    uint32_t word = 0;
    struct iovec local = {&word, sizeof word};

    if (process_vm_readv(injector->pid, &local, 1, &remote, 1, 0) != (ssize_t)sizeof word)
        return;
    word ^= flipped;
    (void)process_vm_writev(injector->pid, &local, 1, &remote, 1, 0);
}

static uint64_t stack_low(const struct registers *registers)
{
    return (registers->general.rsp - RED_ZONE) & ~UINT64_C(7);
}

static void flip_bits(struct injector *injector, struct registers *registers)
{
    const struct flip *flip = &injector->flip;
    uint64_t word = 8 * (uint64_t)flip->number;

    for (int i = 0; i < flip->bit_count; i++) {
        unsigned bit = flip->bits[i];

        if (flip->kind == KIND_STACK)
            poke(injector, stack_low(registers) + word + bit / 32 * 4, UINT32_C(1) << bit % 32);
        else if (flip->kind == KIND_ARENA)
            poke(injector, injector->stage->arena + word + bit / 32 * 4, UINT32_C(1) << bit % 32);
        else
            *byte_of_flip(injector, registers, bit) ^= (unsigned char)(1u << bit % 8);
    }
}

/* For the probe: the 32 bits around the flipped one become random. */
static void fill_word(struct injector *injector, struct registers *registers)
{
    unsigned first = injector->flip.bits[0] / 32 * 32;
    uint32_t filling = (uint32_t)hf_random_u64(&injector->random);

    for (unsigned i = 0; i < 4; i++)
        *byte_of_flip(injector, registers, first + 8 * i) = (unsigned char)(filling >> 8 * i);
}

/* How many bits the place of a kind has. */
static unsigned bits_of_kind(enum kind kind, const struct hf_kernel *kernel, struct hf_random *random)
{
    switch (kind) {
    case KIND_VECTOR: /* mostly the part that the kernel uses */
        return hf_random_below(random, 8) == 0 || kernel->width_bits < 128 ? 512
                                                                           : (unsigned)kernel->width_bits;
    case KIND_X87:
        return 80;
    default:
        return 64;
    }
}

static const unsigned flag_bits[] = {0, 2,  4, 6,
                                     7, 10, 11}; /* carry, parity, adjust, zero, sign, direction,
                                                    overflow */

static unsigned random_bit(enum kind kind, unsigned bits, struct hf_random *random)
{
    if (kind == KIND_FLAGS)
        return flag_bits[hf_random_below(random, sizeof flag_bits / sizeof flag_bits[0])];
    return (unsigned)hf_random_below(random, bits);
}

static unsigned numbers_of_kind(const struct injector *injector, const struct registers *registers,
                                enum kind kind)
{
    uint64_t stack_bytes;

    switch (kind) {
    case KIND_VECTOR:
        return has_component(registers, &injector->layout, COMPONENT_ZMM16) ? 32 : 16;
    case KIND_MASK:
    case KIND_X87:
        return 8;
    case KIND_GENERAL:
        return GENERAL_COUNT;
    case KIND_MEMORY:
        return (unsigned)(injector->stage->order.kernel->state_bytes / 8);
    case KIND_ARENA:
        return (unsigned)injector->stage->arena_words;
    case KIND_STACK:
        stack_bytes = injector->stage->stack_top - stack_low(registers);
        return (unsigned)(stack_bytes < STACK_BYTES_MAX ? stack_bytes : STACK_BYTES_MAX) / 8;
    default:
        return 1;
    }
}

/* Per thousand. What holds a kernel's data is hit most. */
static enum kind random_kind(struct injector *injector, const struct registers *registers)
{
    static const unsigned share_vector[KIND_COUNT] = {360, 40, 20, 180, 170, 60, 80, 25, 25, 40};
    static const unsigned share_scalar[KIND_COUNT] = {100, 20, 80, 370, 190, 80, 70, 25, 25, 40};
    const unsigned *share =
        injector->stage->order.kernel->live_state & HF_LIVE_VECTOR ? share_vector : share_scalar;
    unsigned draw = (unsigned)hf_random_below(&injector->random, 1000);
    unsigned kind = 0;

    while (kind < KIND_COUNT - 1 && draw >= share[kind])
        draw -= share[kind++];
    if (kind == KIND_MASK && !has_component(registers, &injector->layout, COMPONENT_MASKS))
        kind = KIND_VECTOR;
    if (kind == KIND_ARENA && injector->stage->arena_words == 0)
        kind = KIND_GENERAL;
    return (enum kind)kind;
}

static unsigned vector_bits_there(const struct injector *injector, const struct registers *registers,
                                  unsigned bits)
{
    if (!has_component(registers, &injector->layout, COMPONENT_YMM_HIGH))
        return 128;
    if (!has_component(registers, &injector->layout, COMPONENT_ZMM_HIGH))
        return bits > 256 ? 256 : bits;
    return bits;
}

static void flip_draw(struct injector *injector, const struct registers *registers)
{
    struct flip *flip = &injector->flip;
    unsigned bits;

    flip->kind = random_kind(injector, registers);
    flip->number =
        (unsigned)hf_random_below(&injector->random, numbers_of_kind(injector, registers, flip->kind));
    bits = bits_of_kind(flip->kind, injector->stage->order.kernel, &injector->random);
    if (flip->kind == KIND_VECTOR)
        bits = vector_bits_there(injector, registers, bits);
    flip->bit_count = 1 + (int)hf_random_below(&injector->random, 2);
    flip->bits[0] = random_bit(flip->kind, bits, &injector->random);
    do
        flip->bits[1] = random_bit(flip->kind, bits, &injector->random);
    while (flip->bits[1] == flip->bits[0]);
}

/* --- going back to the moment of the stop --- */

static void snapshot_take(struct injector *injector)
{
    struct snapshot *snapshot = &injector->snapshot;
    struct iovec local = {snapshot->stack, 0};
    struct iovec remote;

    snapshot->registers = injector->registers;
    snapshot->stage = *injector->stage;
    memcpy(snapshot->state, injector->state, injector->state_bytes_max);
    snapshot->stack_low = stack_low(&injector->registers);
    snapshot->stack_bytes = injector->stage->stack_top + 512 - snapshot->stack_low;
    if (snapshot->stack_bytes > STACK_BYTES_MAX)
        snapshot->stack_bytes = STACK_BYTES_MAX;
    local.iov_len = snapshot->stack_bytes;
    remote = (struct iovec){(void *)(uintptr_t)snapshot->stack_low, snapshot->stack_bytes};
    if (process_vm_readv(injector->pid, &local, 1, &remote, 1, 0) != (ssize_t)snapshot->stack_bytes)
        snapshot->stack_bytes = 0;
}

static int snapshot_restore(struct injector *injector)
{
    struct snapshot *snapshot = &injector->snapshot;
    struct iovec local = {snapshot->stack, snapshot->stack_bytes};
    struct iovec remote = {(void *)(uintptr_t)snapshot->stack_low, snapshot->stack_bytes};

    *injector->stage = snapshot->stage;
    memcpy(injector->state, snapshot->state, injector->state_bytes_max);
    injector->registers = snapshot->registers;
    injector->registers.general.orig_rax = (unsigned long long)-1;
    return snapshot->stack_bytes != 0 &&
           process_vm_writev(injector->pid, &local, 1, &remote, 1, 0) == (ssize_t)snapshot->stack_bytes;
}

/* --- one block --- */

/* A worker scrubs its arena when a slice or a trial ends. Here after the block, if the flip was in the arena;
 * or if a store may have gone astray, but not always where the arena is large. */
static int wants_scrub(struct injector *injector)
{
    enum kind kind = injector->flip.kind;

    if (injector->stage->arena_words == 0 || kind == KIND_MASK || kind == KIND_X87 || kind == KIND_MEMORY)
        return 0;
    return kind == KIND_ARENA || injector->stage->arena_words < SCRUB_WORDS_ALWAYS ||
           hf_random_below(&injector->random, 8) == 0;
}

/* The timer has stopped the target. */
static int strike_now(struct injector *injector)
{
    if (injector->landed || injector->stage->phase == PHASE_BEFORE || injector->stage->phase == PHASE_DONE)
        return 1;
    if (!registers_get(injector->pid, &injector->registers))
        return 0;
    injector->landed = 1;
    injector->struck_at = injector->registers.general.rip;
    injector->struck_in_kernel = hf_kernel_owns_address((const void *)(uintptr_t)injector->struck_at);
    flip_draw(injector, &injector->registers);
    injector->stage->scrub = wants_scrub(injector);
    snapshot_take(injector);
    flip_bits(injector, &injector->registers);
    return registers_set(injector->pid, &injector->registers);
}

static int at_gate(const struct injector *injector)
{
    struct user_regs_struct general;

    return ptrace(PTRACE_GETREGS, injector->pid, NULL, &general) == 0 && general.rip == injector->gate &&
           injector->stage->phase == PHASE_DONE && injector->stage->turn_done == injector->stage->turn;
}

/* Lets the target go on to its gate. OUTCOME_NONE: it came there; anything else: it did not. */
static enum outcome to_gate(struct injector *injector)
{
    uint64_t limit = cpu_ns(injector->pid) + CPU_BUDGET_NS + 20 * injector->block_ns;
    int status;

    for (int alarms = 0; alarms <= ALARMS_MAX; alarms++) {
        if (ptrace(PTRACE_CONT, injector->pid, NULL, NULL) != 0)
            return OUTCOME_DIED;
        if (!target_wait(injector->pid, limit, &status))
            return OUTCOME_HUNG;
        if (!WIFSTOPPED(status)) {
            injector->pid = 0;
            return OUTCOME_DIED;
        }
        if (WSTOPSIG(status) == SIGTRAP)
            return at_gate(injector) ? OUTCOME_NONE : OUTCOME_DIED;
        if (WSTOPSIG(status) != SIGALRM || !strike_now(injector))
            return OUTCOME_DIED;
    }
    return OUTCOME_HUNG;
}

static enum outcome block_give(struct injector *injector, const struct order *order, long delay_us)
{
    target_ensure(injector);
    injector->stage->order = *order;
    injector->stage->delay_us = delay_us;
    injector->stage->phase = PHASE_BEFORE;
    injector->stage->turn++;
    injector->stage->steps = 0;
    injector->stage->digest = 0;
    injector->stage->expected = 0;
    injector->stage->scrub = 0;
    injector->stage->scrubbed = 0;
    injector->landed = 0;
    return to_gate(injector);
}

/* --- the judge --- */

/* An undisturbed block. */
struct truth {
    struct order order;
    uint64_t steps;
    uint64_t expected;
    uint64_t expected_after_two; /* after as many steps again */
    unsigned char *state;
    unsigned char *state_after_two;
};

/* Takes out of a state what was flipped in memory and lies there still. */
static void unflip_memory(const struct flip *flip, const unsigned char *right, unsigned char *state)
{
    for (int i = 0; flip->kind == KIND_MEMORY && i < flip->bit_count; i++) {
        size_t byte = 8 * (size_t)flip->number + flip->bits[i] / 8;
        unsigned char mask = (unsigned char)(1u << flip->bits[i] % 8);

        if (((state[byte] ^ right[byte]) & mask) != 0)
            state[byte] ^= mask;
    }
}

/* Would the next block notice? */
static int next_block_is_right(const struct truth *truth, const struct flip *flip, const unsigned char *state,
                               unsigned char *room)
{
    const struct hf_kernel *kernel = truth->order.kernel;
    int right;

    kernel->start(room, truth->order.operands,
                  truth->order.seed); /* its arena is filled for this set again */
    memcpy(room, state, kernel->state_bytes);
    for (uint64_t burst = 0; burst < truth->order.bursts; burst++)
        kernel->advance(room, truth->order.burst_steps);
    right = kernel->digest(room) == truth->expected_after_two;
    unflip_memory(flip, truth->state_after_two, room);
    return right && memcmp(room, truth->state_after_two, kernel->state_bytes) == 0;
}

/* Do the words that differ mean anything? In an undisturbed state they are filled with something else again:
 * if the next block reads and writes none of them, they are padding that a store gone astray has hit. */
static int difference_is_inert(const struct truth *truth, const unsigned char *state, unsigned char *room)
{
    const struct hf_kernel *kernel = truth->order.kernel;
    size_t count = kernel->state_bytes / 8;
    const uint64_t *right = (const void *)truth->state;
    const uint64_t *after = (const void *)truth->state_after_two;
    const uint64_t *got = (const void *)state;
    uint64_t *filled = (void *)room;
    const uint64_t filling = UINT64_C(0x9e3779b97f4a7c15);

    kernel->start(room, truth->order.operands, truth->order.seed);
    for (size_t i = 0; i < count; i++)
        filled[i] = right[i] ^ (got[i] != right[i] ? filling * (2 * i + 1) : 0);
    for (uint64_t burst = 0; burst < truth->order.bursts; burst++)
        kernel->advance(room, truth->order.burst_steps);
    if (kernel->digest(room) != truth->expected_after_two)
        return 0;
    for (size_t i = 0; i < count; i++) {
        if (filled[i] != (got[i] != right[i] ? right[i] ^ filling * (2 * i + 1) : after[i]))
            return 0;
    }
    return 1;
}

/* A bit flipped in the state while or after the digest was taken, where the digest had been already: the
 * state is not used again, the next block starts anew. */
static int came_too_late(const struct injector *injector, const struct truth *truth, unsigned char *room)
{
    size_t bytes = truth->order.kernel->state_bytes;

    if (injector->flip.kind != KIND_MEMORY || injector->struck_in_kernel)
        return 0;
    memcpy(room, injector->state, bytes);
    unflip_memory(&injector->flip, truth->state, room);
    return memcmp(room, truth->state, bytes) == 0;
}

/* The loop around the bursts ended too soon, and its count says so: all bursts that it counted were done, and
 * done right. A worker's block ends at any burst, by the clock: one that is shorter claims less. */
static int ended_early(const struct injector *injector, const struct truth *truth, unsigned char *room)
{
    const struct order *order = &truth->order;
    uint64_t steps = injector->stage->steps;

    if (injector->struck_in_kernel || steps >= truth->steps || steps % order->burst_steps != 0)
        return 0;
    memset(room, 0, order->kernel->state_bytes);
    order->kernel->start(room, order->operands, order->seed);
    for (uint64_t done = 0; done < steps; done += order->burst_steps)
        order->kernel->advance(room, order->burst_steps);
    return memcmp(injector->state, room, order->kernel->state_bytes) == 0;
}

/* The pointer to the state was hit before start(), in a register or where it was saved: state and padding are
 * bit for bit right where it pointed then. What an earlier target left there was wiped. */
static int done_elsewhere(const struct injector *injector, const struct truth *truth)
{
    const struct flip *flip = &injector->flip;
    size_t bytes = truth->order.kernel->state_bytes;
    uint64_t address = (uint64_t)(uintptr_t)injector->state;
    uint64_t other = address;

    if (flip->kind != KIND_GENERAL && flip->kind != KIND_STACK)
        return 0;
    for (int i = 0; i < flip->bit_count; i++)
        other ^= UINT64_C(1) << flip->bits[i] % 64;
    return other > address && other - address <= injector->state_bytes_max - bytes &&
           memcmp(injector->state + (other - address), truth->state, bytes) == 0;
}

/* Bits that a kernel of two cores found wrong on its partner's side: a worker reports them, naming the
 * partner. */
static uint64_t foreign_bits(const struct hf_kernel *kernel, const unsigned char *state)
{
    uint64_t met = 0;
    uint64_t foreign = 0;

    if (kernel->partnered != NULL)
        kernel->partnered(state, &met, &foreign);
    return foreign;
}

static enum outcome judge(const struct injector *injector, const struct truth *truth)
{
    const struct stage *stage = injector->stage;
    const struct hf_kernel *kernel = truth->order.kernel;
    unsigned char *room = injector->snapshot.state; /* not needed any more when a state differs */
    uint64_t expected = stage->steps == truth->steps
                            ? truth->expected
                            : kernel->expect(truth->order.operands, truth->order.seed, stage->steps);

    if (stage->digest != expected || stage->expected != stage->digest || stage->scrubbed != 0 ||
        foreign_bits(kernel, injector->state) != 0)
        return OUTCOME_REPORTED;
    if (stage->steps != truth->steps)
        return ended_early(injector, truth, room) ? OUTCOME_SCRATCH : OUTCOME_MISSED;
    if (memcmp(injector->state, truth->state, kernel->state_bytes) == 0)
        return OUTCOME_NONE;
    if (came_too_late(injector, truth, room) || done_elsewhere(injector, truth))
        return OUTCOME_SCRATCH;
    if (next_block_is_right(truth, &injector->flip, injector->state, room) ||
        difference_is_inert(truth, injector->state, room))
        return OUTCOME_SCRATCH;
    return OUTCOME_MISSED;
}

/* After a target that may be damaged beyond the block (a register that its loop keeps) comes a fresh one. */
static int leaves_a_sound_target(enum kind kind, enum outcome outcome)
{
    return outcome != OUTCOME_DIED && outcome != OUTCOME_HUNG &&
           (kind == KIND_VECTOR || kind == KIND_MASK || kind == KIND_MEMORY);
}

/* 1 when the word around a bit without effect was in use. Leaves no target behind. */
static int probe_word(struct injector *injector, const struct truth *truth)
{
    enum outcome outcome;

    if (!snapshot_restore(injector))
        return 0;
    fill_word(injector, &injector->registers);
    if (!registers_set(injector->pid, &injector->registers))
        return 0;
    injector->landed = 1; /* no second strike */
    outcome = to_gate(injector);
    if (outcome == OUTCOME_NONE)
        outcome = judge(injector, truth);
    target_end(injector);
    return outcome != OUTCOME_NONE;
}

/* Arenas and what partners share are not put back: what a kernel writes there cannot be undone. */
static int can_be_probed(const struct injector *injector, const struct flip *flip)
{
    return flip->bit_count == 1 && injector->stage->arena_words == 0 &&
           injector->stage->order.kernel->partnered == NULL &&
           (flip->kind == KIND_VECTOR || flip->kind == KIND_GENERAL || flip->kind == KIND_MASK);
}

/* One injection, judged. Blocks that ended before the timer are repeated. */
static enum outcome inject(struct injector *injector, const struct truth *truth, int *ret_word_in_use)
{
    uint64_t span_us = injector->block_ns / 1000 + 2;
    enum outcome outcome = OUTCOME_NONE;

    *ret_word_in_use = -1;
    injector->landed = 0;
    for (int i = 0; !injector->landed && outcome == OUTCOME_NONE; i++) {
        assert(i < TRIES_MAX);
        outcome = block_give(injector, &truth->order, 1 + (long)hf_random_below(&injector->random, span_us));
    }
    if (outcome == OUTCOME_NONE)
        outcome = judge(injector, truth);
    if (outcome == OUTCOME_NONE && can_be_probed(injector, &injector->flip))
        *ret_word_in_use = probe_word(injector, truth);
    if (!leaves_a_sound_target(injector->flip.kind, outcome))
        target_end(injector);
    return outcome;
}

static int injector_init(struct injector *injector, size_t state_bytes_max, uint64_t seed)
{
    sigset_t child_signal;

    *injector = (struct injector){.state_bytes_max = state_bytes_max};
    injector->stage = map_guarded(sizeof *injector->stage);
    injector->state = map_guarded(state_bytes_max);
    injector->snapshot.state = map_own(state_bytes_max);
    layout_find(&injector->layout);
    hf_random_init(&injector->random, seed, 0);
    (void)sigemptyset(&child_signal);
    (void)sigaddset(&child_signal, SIGCHLD);
    return sigprocmask(SIG_BLOCK, &child_signal, NULL) == 0;
}

#endif
