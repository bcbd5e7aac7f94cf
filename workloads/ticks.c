/*
 * Counted time: the time-stamp counter where it runs at one rate in every power state, else the monotonic
 * clock.
 *
 * Invariants:
 *   1. The source is decided once per process and never changes: all ticks of a process compare.
 *   2. rate is 0 until it was calibrated or given; then it never changes unless it is given anew.
 */
#include <assert.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "holdfast/mix.h"

#if defined(__x86_64__)
#include <cpuid.h>
#include <x86gprintrin.h>
#endif

#define CALIBRATION_NS 10000000
#define BRACKET_TRIES  16

static struct {
    int decided;
    int use_counter;
    double rate;
} ticks;

static uint64_t clock_ns(clockid_t id)
{
    struct timespec now;

    (void)clock_gettime(id, &now); /* cannot fail for these ids on Linux */
    return (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec;
}

/* CPUID leaf 0x80000007, EDX bit 8: the counter is invariant (AMD64 Architecture Programmer's Manual, volume
 * 3, appendix E; Intel 64 and IA-32 Architectures Software Developer's Manual, volume 3B, 18.17.1). */
static int counter_is_invariant(void)
{
#if defined(__x86_64__)
    uint32_t eax, ebx, ecx, edx;

    return __get_cpuid(0x80000007u, &eax, &ebx, &ecx, &edx) && (edx >> 8 & 1);
#else
    return 0;
#endif
}

/* HOLDFAST_TICKS=clock in the environment forces the clock: for tests, and for a machine whose counter says
 * that it is invariant and is not. Workers inherit it. */
static void ticks_decide(void)
{
    const char *wish = getenv("HOLDFAST_TICKS");

    ticks.use_counter = counter_is_invariant() && (wish == NULL || strcmp(wish, "clock") != 0);
    ticks.decided = 1;
}

uint64_t hf_ticks_now(void)
{
    if (__builtin_expect(!ticks.decided, 0))
        ticks_decide();
#if defined(__x86_64__)
    if (__builtin_expect(ticks.use_counter, 1))
        return __rdtsc();
#endif
    return clock_ns(CLOCK_MONOTONIC);
}

const char *hf_ticks_source(void)
{
    if (!ticks.decided)
        ticks_decide();
    return ticks.use_counter ? "time-stamp counter" : "monotonic clock";
}

/* One reading of both clocks, the narrowest of several brackets: an interrupt between the two readings is
 * passed over. */
static void both_clocks(uint64_t *ret_ticks, uint64_t *ret_ns)
{
    uint64_t narrowest = UINT64_MAX;

    for (int i = 0; i < BRACKET_TRIES; i++) {
        uint64_t before = hf_ticks_now();
        uint64_t ns = clock_ns(CLOCK_MONOTONIC_RAW);
        uint64_t after = hf_ticks_now();

        if (after - before < narrowest) {
            narrowest = after - before;
            *ret_ticks = before + narrowest / 2;
            *ret_ns = ns;
        }
    }
}

static double ticks_calibrate(void)
{
    const struct timespec pause = {.tv_nsec = CALIBRATION_NS};
    uint64_t ticks_begin = 0, ticks_end = 0, ns_begin = 0, ns_end = 0;

    both_clocks(&ticks_begin, &ns_begin);
    do {
        (void)clock_nanosleep(CLOCK_MONOTONIC, 0, &pause, NULL); /* cut short by a signal: once more */
        both_clocks(&ticks_end, &ns_end);
    } while (ns_end - ns_begin < CALIBRATION_NS);
    return (double)(ticks_end - ticks_begin) * 1e9 / (double)(ns_end - ns_begin);
}

double hf_ticks_per_second(void)
{
    if (ticks.rate == 0)
        ticks.rate = ticks_calibrate();
    assert(ticks.rate > 1e6);
    return ticks.rate;
}

void hf_ticks_set_rate(double ticks_per_second)
{
    assert(ticks_per_second > 1e6 && ticks_per_second < 1e12);
    ticks.rate = ticks_per_second;
}
