/*
 * The registers of a stopped process, and how to flip bits in them.
 *
 * The extended state comes in the standard (not the compacted) format of XSAVE: a legacy region of 512 bytes,
 * a header whose first word (XSTATE_BV) says which components are not in their initial state, and components
 * at the offsets that CPUID leaf 0xD names (Intel 64 and IA-32 Architectures Software Developer's Manual,
 * volume 1, 13.4 and 13.5).
 */
#ifndef HOLDFAST_TESTS_INJECT_REGISTERS_H
#define HOLDFAST_TESTS_INJECT_REGISTERS_H

#include <cpuid.h>
#include <elf.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/ptrace.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <sys/user.h>

#define X87_OFFSET       32u  /* eight registers of ten bytes, sixteen apart */
#define XMM_OFFSET       160u /* sixteen of sixteen bytes */
#define XSTATE_BV_OFFSET 512u
#define XSTATE_BYTES_MAX 16384u

enum component {
    COMPONENT_X87,
    COMPONENT_SSE,
    COMPONENT_YMM_HIGH = 2, /* upper halves of ymm0 to ymm15 */
    COMPONENT_MASKS = 5,
    COMPONENT_ZMM_HIGH = 6, /* upper halves of zmm0 to zmm15 */
    COMPONENT_ZMM16 = 7,    /* zmm16 to zmm31 */
    COMPONENT_COUNT
};

struct registers {
    struct user_regs_struct general;
    size_t extended_bytes;
    _Alignas(64) unsigned char extended[XSTATE_BYTES_MAX];
};

/* Where components lie on this CPU; 0: it has none. */
struct layout {
    uint32_t offset[COMPONENT_COUNT];
};

/* A run of bytes of one register, in the part of the extended state that holds it. */
struct place {
    enum component component;
    uint32_t offset;
};

static int has_component(const struct registers *registers, const struct layout *layout, enum component c)
{
    return c <= COMPONENT_SSE || (layout->offset[c] != 0 && layout->offset[c] < registers->extended_bytes);
}

static void layout_find(struct layout *layout)
{
    unsigned size, offset, c, d;

    *layout = (struct layout){{0}};
    for (unsigned i = COMPONENT_YMM_HIGH; i < COMPONENT_COUNT; i++) {
        if (__get_cpuid_count(0xD, i, &size, &offset, &c, &d) && size != 0)
            layout->offset[i] = offset;
    }
}

static int registers_get(pid_t pid, struct registers *ret_registers)
{
    struct iovec extended = {ret_registers->extended, sizeof ret_registers->extended};

    if (ptrace(PTRACE_GETREGS, pid, NULL, &ret_registers->general) != 0 ||
        ptrace(PTRACE_GETREGSET, pid, (void *)NT_X86_XSTATE, &extended) != 0)
        return 0;
    ret_registers->extended_bytes = extended.iov_len;
    return 1;
}

static int registers_set(pid_t pid, struct registers *registers)
{
    struct iovec extended = {registers->extended, registers->extended_bytes};

    return ptrace(PTRACE_SETREGS, pid, NULL, &registers->general) == 0 &&
           ptrace(PTRACE_SETREGSET, pid, (void *)NT_X86_XSTATE, &extended) == 0;
}

/* Byte `byte` (0 .. 63) of vector register `number` (0 .. 31). */
static struct place vector_place(const struct layout *layout, unsigned number, unsigned byte)
{
    if (number >= 16)
        return (struct place){COMPONENT_ZMM16, layout->offset[COMPONENT_ZMM16] + 64 * (number - 16) + byte};
    if (byte >= 32)
        return (struct place){COMPONENT_ZMM_HIGH,
                              layout->offset[COMPONENT_ZMM_HIGH] + 32 * number + byte - 32};
    if (byte >= 16)
        return (struct place){COMPONENT_YMM_HIGH,
                              layout->offset[COMPONENT_YMM_HIGH] + 16 * number + byte - 16};
    return (struct place){COMPONENT_SSE, XMM_OFFSET + 16 * number + byte};
}

/* The byte, to be changed: from now on its component is not in its initial state. */
static unsigned char *extended_byte(struct registers *registers, struct place place)
{
    uint64_t live;

    memcpy(&live, registers->extended + XSTATE_BV_OFFSET, sizeof live);
    live |= UINT64_C(1) << place.component;
    memcpy(registers->extended + XSTATE_BV_OFFSET, &live, sizeof live);
    return registers->extended + place.offset;
}

/* The general registers that hold data and addresses; not the stack pointer, the program counter, the flags.
 */
#define GENERAL_COUNT 15u

static unsigned long long *general_register(struct registers *registers, unsigned number)
{
    struct user_regs_struct *g = &registers->general;
    unsigned long long *all[GENERAL_COUNT] = {&g->rax, &g->rbx, &g->rcx, &g->rdx, &g->rsi,
                                              &g->rdi, &g->rbp, &g->r8,  &g->r9,  &g->r10,
                                              &g->r11, &g->r12, &g->r13, &g->r14, &g->r15};

    return all[number % GENERAL_COUNT];
}

#endif
