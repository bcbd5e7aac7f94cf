#include "harness/strike.h"

#include <signal.h>
#include <string.h>
#include <sys/time.h>
#include <ucontext.h>
#if defined(__x86_64__)
#include <cpuid.h>
#endif

#include "holdfast/random.h"
#include "workloads/arena.h"

#define RETRY_US 500

/* One worker process has one of these; the handler cannot be given a context. */
static struct {
    struct hf_worker_slot *slot;
    unsigned char *states;
    struct hf_random random;
    const struct hf_kernel *kernel[2];
    volatile sig_atomic_t landed_in_block;
    int masked;
#if defined(__x86_64__)
    uint32_t high_ymm_offset, high_zmm_offset, zmm16_offset;
#endif
} strike;

static void retry_later(void)
{
    struct itimerval timer = {.it_value = {.tv_usec = RETRY_US}};

    (void)setitimer(ITIMER_VIRTUAL, &timer, NULL);
}

/* Which kernel's code was interrupted cannot be told from the address alone when a slice has two: the buffer
 * of either is live until the block's digest. A kernel that works on an arena is struck there: what it will
 * read is live, its state in the buffer is a copy from before the burst. */
static int flip_buffer(void)
{
    int which = strike.kernel[1] != NULL && hf_random_below(&strike.random, 2) == 1;
    const struct hf_kernel *kernel = strike.kernel[which];

    if (hf_arena_plant(kernel, hf_random_u64(&strike.random)))
        return 1;
    kernel->plant(strike.states + (size_t)which * hf_kernel_state_bytes_max(), hf_random_u64(&strike.random));
    return 1;
}

#if defined(__x86_64__)
/* Offsets in the frame's floating-point area: XMM0 of the legacy region; XSTATE_BV of the header. */
#define XMM_OFFSET       160u
#define XSTATE_BV_OFFSET 512u

static void find_component_offsets(void)
{
    unsigned size;
    unsigned offset;
    unsigned c;
    unsigned d;

    if (__get_cpuid_count(0xD, 2, &size, &offset, &c, &d))
        strike.high_ymm_offset = offset;
    if (__get_cpuid_count(0xD, 6, &size, &offset, &c, &d))
        strike.high_zmm_offset = offset;
    if (__get_cpuid_count(0xD, 7, &size, &offset, &c, &d))
        strike.zmm16_offset = offset;
}

static int flip_vector(const ucontext_t *context, unsigned width_bits)
{
    unsigned char *area = (unsigned char *)context->uc_mcontext.fpregs;
    unsigned bytes = width_bits >= 512 ? 64 : width_bits >= 256 ? 32 : 16;
    unsigned reg = (unsigned)hf_random_below(&strike.random, width_bits >= 512 ? 32 : 16);
    unsigned byte = (unsigned)hf_random_below(&strike.random, bytes);
    unsigned bit = (unsigned)hf_random_below(&strike.random, 8);
    uint64_t live_components;

    if (area == NULL)
        return 0;
    memcpy(&live_components, area + XSTATE_BV_OFFSET, sizeof live_components);
    if (reg >= 16) {
        if (!(live_components >> 7 & 1))
            return 0;
        area += strike.zmm16_offset + 64 * (reg - 16) + byte;
    } else if (byte >= 32) {
        if (!(live_components >> 6 & 1))
            return 0;
        area += strike.high_zmm_offset + 32 * reg + byte - 32;
    } else if (byte >= 16) {
        if (!(live_components >> 2 & 1))
            return 0;
        area += strike.high_ymm_offset + 16 * reg + byte - 16;
    } else {
        area += XMM_OFFSET + 16 * reg + byte;
    }
    *area ^= (unsigned char)(1u << bit);
    return 1;
}

/* A register whose value cannot be an address (bits 47 to 63 not all alike) holds data, not a pointer or a
 * small count: flipping it makes a wrong result, not a crash. */
static int holds_data(long long value)
{
    long long top = value >> 47;

    return top != 0 && top != -1;
}

static int flip_general(ucontext_t *context)
{
    static const int registers[] = {REG_RAX, REG_RBX, REG_RCX, REG_RDX, REG_RSI, REG_RDI, REG_R8, REG_R9,
                                    REG_R10, REG_R11, REG_R12, REG_R13, REG_R14, REG_R15, REG_RBP};
    int start = (int)hf_random_below(&strike.random, 15);

    for (int i = 0; i < 15; i++) {
        greg_t *reg = &context->uc_mcontext.gregs[registers[(start + i) % 15]];

        if (holds_data(*reg)) {
            *reg ^= (greg_t)(UINT64_C(1) << hf_random_below(&strike.random, 64));
            return 1;
        }
    }
    return 0;
}

static const void *program_counter(const ucontext_t *context)
{
    return (const void *)context->uc_mcontext.gregs[REG_RIP];
}

static int flip_registers(ucontext_t *context, const struct hf_kernel *kernel)
{
    if ((kernel->live_state & HF_LIVE_GENERAL) && flip_general(context))
        return 1;
    return (kernel->live_state & HF_LIVE_VECTOR) && flip_vector(context, (unsigned)kernel->width_bits);
}
#else
static void find_component_offsets(void)
{
}

#if defined(__aarch64__)
static const void *program_counter(const ucontext_t *context)
{
    return (const void *)(uintptr_t)context->uc_mcontext.pc;
}
#endif

static int flip_registers(ucontext_t *context, const struct hf_kernel *kernel)
{
    (void)context;
    (void)kernel;
    return 0;
}
#endif

/* One attempt; 1 when something live was changed. */
static int flip_something(ucontext_t *context)
{
    const struct hf_kernel *kernel = strike.kernel[0];

    if (kernel == NULL)
        return 0;
#if defined(__x86_64__) || defined(__aarch64__)
    if (!hf_kernel_owns_address(program_counter(context)))
        return 0;
#endif
    if (flip_registers(context, kernel))
        return 1;
    return (kernel->live_state & HF_LIVE_MEMORY) ? flip_buffer() : 0;
}

static void on_strike(int signal_number, siginfo_t *info, void *context)
{
    static volatile uintptr_t no_address = 8;

    (void)signal_number;
    (void)info;
    switch (atomic_load(&strike.slot->strike)) {
    case HF_STRIKE_FLIP:
        if (strike.landed_in_block)
            return;
        if (flip_something(context)) {
            strike.landed_in_block = 1;
            (void)atomic_fetch_add(&strike.slot->strikes_landed, 1);
        } else {
            retry_later();
        }
        return;
    case HF_STRIKE_CRASH:
        *(volatile int *)no_address = 0; /* a real segmentation fault: the default action ends the process */
        return;
    case HF_STRIKE_HANG:
        atomic_store(&strike.slot->strike, HF_STRIKE_NONE);
        (void)raise(SIGSTOP);
        return;
    default:
        return;
    }
}

void hf_strike_install(struct hf_worker_slot *slot, void *states, uint64_t seed)
{
    struct sigaction action = {.sa_sigaction = on_strike, .sa_flags = SA_SIGINFO | SA_RESTART};

    strike.slot = slot;
    strike.states = states;
    hf_random_init(&strike.random, seed, UINT64_C(0x737472696b65));
    find_component_offsets();
    (void)sigemptyset(&action.sa_mask);
    (void)sigaddset(&action.sa_mask, SIGUSR1);
    (void)sigaddset(&action.sa_mask, SIGVTALRM);
    (void)sigaction(SIGUSR1, &action, NULL);
    (void)sigaction(SIGVTALRM, &action, NULL);
}

void hf_strike_block_begin(const struct hf_slice *slice)
{
    strike.kernel[0] = hf_kernel_at(slice->kernel);
    strike.kernel[1] = slice->solo_kernel >= 0 ? hf_kernel_at(slice->solo_kernel) : NULL;
    strike.landed_in_block = 0;
    if (atomic_load(&strike.slot->strike) == HF_STRIKE_FLIP)
        retry_later();
}

void hf_strike_block_end(int digest_was_right)
{
    strike.kernel[0] = NULL;
    if (!strike.landed_in_block)
        return;
    if (!digest_was_right) {
        atomic_store(&strike.slot->strike, HF_STRIKE_NONE);
        strike.masked = 0;
        return;
    }
    (void)atomic_fetch_add(&strike.slot->strikes_masked, 1);
    if (++strike.masked >= HF_STRIKES_MASKED_MAX) {
        atomic_store(&strike.slot->strike, HF_STRIKE_NONE);
        strike.masked = 0;
    }
}

void hf_strike_request(struct hf_worker_slot *slot, int pid, enum hf_strike_kind kind)
{
    atomic_store(&slot->strike, (uint32_t)kind);
    if (pid > 0)
        (void)kill(pid, SIGUSR1);
}
