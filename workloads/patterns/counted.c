/*
 * Cycles too short to be timed one by one: reading a clock costs a tenth of them. The on part is a number of
 * kernel steps, the off part a number of idle turns; both are found by measuring, and after each batch the
 * idle turns are set right so that the period of the batch is the one asked for.
 *
 * Three ways:
 *   pulses    a kernel that works in pulses (kernel.h) is given runs of a few microseconds; the idle turns
 * are those of its metronome, one from a pulse's begin to the next. Down to 5 ns. calls     other kernels are
 * called once a cycle, with idle turns in between. Down to about 100 ns. random    calls, with on and off
 * parts drawn from exponential distributions (telegraph).
 *
 * Invariants:
 *   1. steps counts every step the state was advanced, calibration included: the block's answer depends on
 *      it.
 *   2. on, idle_turns and the cycles of a batch are capped: a damaged measurement cannot keep a worker for
 *      long.
 *   3. A measurement that an interrupt or another process has spoilt (three times too long) changes nothing;
 *      after SPOILT_MAX of them in a row it is the tuning that is doubted, and measured anew.
 *   4. The tuning is of the present key (kernel entry, pattern, period, duty) or is measured anew.
 */
#include <assert.h>
#include <math.h>

#include "holdfast/mix.h"
#include "holdfast/random.h"
#include "workloads/patterns/counted.h"

#define CALIBRATION_CALLS 8
#define CALIBRATION_TURNS 400
#define CALIBRATION_TRIES 3
#define LONG_BURST        8 /* steps */
#define QUICK_CORRECTIONS 8 /* take most of the error each; later ones at most SLOW_SHARE of the period, */
#define SLOW_SHARE        0.002 /* so that the middle of the batches is followed, not the disturbed ones */
#define CYCLES_MAX        40000
#define IDLE_PERIODS_MAX  4.0 /* idle turns never take longer */
#define SPOILT_MAX        16
#define BATCH_SHARE       0.97 /* of the batch's time: the rest is for waiting on the next edge */
#define PULSE_RUN_S       3e-6 /* of one call of pulse() */

static _Thread_local struct hf_counted_tuning thread_tuning;

static int in_pulses(const struct hf_counted *counted)
{
    return counted->kernel->pulse != NULL && !counted->is_random;
}

/* --- telegraph: the draws --- */

static void draw_lengths(const struct hf_slice *slice, uint64_t who, float ret_draws[HF_COUNTED_DRAWS])
{
    double total = 0;

    for (uint64_t i = 0; i < HF_COUNTED_DRAWS; i++) {
        double length = -log(hf_slice_uniform(slice, HF_STREAM_COUNTED + 16 * who, i));

        ret_draws[i] = (float)length;
        total += length;
    }
    for (int i = 0; i < HF_COUNTED_DRAWS; i++)
        ret_draws[i] *= (float)(HF_COUNTED_DRAWS / total);
}

void hf_counted_init(struct hf_counted *counted, const struct hf_timeline *timeline,
                     const struct hf_kernel *kernel, void *state)
{
    const struct hf_slice *slice = timeline->slice;
    double period_ticks = slice->period_s * timeline->ticks_per_second;

    assert(period_ticks > 0 && slice->duty > 0 && slice->duty <= 1);
    counted->kernel = kernel;
    counted->state = state;
    counted->period_ticks = period_ticks;
    counted->duty = slice->duty;
    counted->is_random = slice->pattern == HF_PATTERN_TELEGRAPH;
    counted->tuning = &thread_tuning;
    counted->key =
        hf_mix64((uint64_t)(uintptr_t)kernel + (uint64_t)slice->pattern +
                 hf_mix64((uint64_t)(slice->duty * 0x1p32) + hf_mix64((uint64_t)(period_ticks * 0x1p20))));
    counted->key += counted->key == 0;
    counted->steps = 0;
    counted->carry = 0;
    counted->draw = 0;
    if (counted->is_random) {
        uint64_t who = hf_schedule_who(timeline);

        draw_lengths(slice, 2 * who, counted->on_draw);
        draw_lengths(slice, 2 * who + 1, counted->off_draw);
    }
}

/* --- the off part of a call --- */

/* A core runs hundreds of instructions ahead: without the fence the idle turns would run beside the work
 * before them. */
static void idle(uint64_t turns)
{
#if defined(__x86_64__)
    __builtin_ia32_lfence();
#endif
    for (; turns != 0; turns--)
        __asm__ volatile("" : "+r"(turns));
}

/* --- calibration --- */

/* Ticks of one call of advance(steps): the least of a few tries. */
static double call_ticks(struct hf_counted *counted, uint64_t steps)
{
    uint64_t least = UINT64_MAX;

    for (int attempt = 0; attempt < CALIBRATION_TRIES; attempt++) {
        uint64_t begin = hf_ticks_now();
        uint64_t ticks;

        for (int i = 0; i < CALIBRATION_CALLS; i++)
            counted->kernel->advance(counted->state, steps);
        ticks = hf_ticks_now() - begin;
        counted->steps += CALIBRATION_CALLS * steps;
        least = ticks < least ? ticks : least;
    }
    return (double)least / CALIBRATION_CALLS;
}

/* Turns of the idle loop, or of the metronome. */
static void turns_run(struct hf_counted *counted)
{
    if (!in_pulses(counted)) {
        idle(CALIBRATION_TURNS);
        return;
    }
    counted->kernel->pulse(counted->state, 2, 2 * counted->kernel->stages_per_step, CALIBRATION_TURNS);
    counted->steps += 2;
}

static double idle_turn_ticks(struct hf_counted *counted)
{
    uint64_t least = UINT64_MAX;

    for (int attempt = 0; attempt < CALIBRATION_TRIES; attempt++) {
        uint64_t begin = hf_ticks_now();
        uint64_t ticks;

        turns_run(counted);
        ticks = hf_ticks_now() - begin;
        least = ticks < least ? ticks : least;
    }
    return (double)(least + 1) / CALIBRATION_TURNS;
}

uint64_t hf_counted_on_stages(double wanted, unsigned per_step)
{
    static const double between[] = {1.5, 2.5, 4.5}; /* up to here 1, 2, 3 */

    for (uint64_t i = 0; i < 3; i++) {
        if (wanted < between[i])
            return i + 1;
    }
    return (uint64_t)(wanted / per_step + 0.5) > 1 ? (uint64_t)(wanted / per_step + 0.5) * per_step
                                                   : per_step;
}

/* advance(n) costs about a call and n steps. */
static void calibrate(struct hf_counted *counted)
{
    struct hf_counted_tuning *tuning = counted->tuning;
    double on_ticks = counted->duty * counted->period_ticks;
    double steps, most = (double)counted->kernel->burst_steps;

    tuning->call_ticks = call_ticks(counted, 1);
    tuning->step_ticks = (call_ticks(counted, LONG_BURST) - tuning->call_ticks) / (LONG_BURST - 1);
    if (!(tuning->step_ticks > 1e-3))
        tuning->step_ticks = 1e-3;
    tuning->turn_ticks = idle_turn_ticks(counted);
    tuning->corrections = tuning->spoilt = 0;
    tuning->key = counted->key;
    if (in_pulses(counted)) {
        unsigned per_step = counted->kernel->stages_per_step;

        steps = on_ticks / tuning->step_ticks;
        tuning->on = hf_counted_on_stages((steps < most ? steps : most) * per_step, per_step);
        tuning->idle_turns = counted->period_ticks / tuning->turn_ticks;
    } else {
        steps = 1 + (on_ticks - tuning->call_ticks) / tuning->step_ticks;
        steps = steps < most ? steps : most;
        tuning->on = steps < 1.5 ? 1 : (uint64_t)(steps + 0.5);
        tuning->idle_turns = (counted->period_ticks - on_ticks) / tuning->turn_ticks;
    }
}

/* Moves the idle turns by what the mean period was off. */
static void correct(struct hf_counted *counted, double mean_ticks)
{
    struct hf_counted_tuning *tuning = counted->tuning;
    double error_ticks = counted->period_ticks - mean_ticks;
    double slow_ticks = SLOW_SHARE * counted->period_ticks;
    double turns_max = IDLE_PERIODS_MAX * counted->period_ticks / tuning->turn_ticks;

    if (mean_ticks > 1.5 * counted->period_ticks && tuning->idle_turns == 0)
        return; /* the kernel's step is longer than the period: nothing can be set right */
    if (mean_ticks > 3 * counted->period_ticks) {
        if (++tuning->spoilt >= SPOILT_MAX)
            tuning->key = 0;
        return;
    }
    tuning->spoilt = 0;
    if (tuning->corrections >= QUICK_CORRECTIONS)
        error_ticks =
            error_ticks > slow_ticks ? slow_ticks : (error_ticks < -slow_ticks ? -slow_ticks : error_ticks);
    tuning->corrections++;
    tuning->idle_turns += 0.7 * error_ticks / tuning->turn_ticks;
    tuning->idle_turns = tuning->idle_turns > 0 ? tuning->idle_turns : 0; /* also when it is not a number */
    if (tuning->idle_turns > turns_max)
        tuning->idle_turns = turns_max;
}

/* --- a batch --- */

static uint64_t whole_turns(struct hf_counted *counted, double turns)
{
    uint64_t whole;

    counted->carry += turns;
    whole = (uint64_t)counted->carry;
    counted->carry -= (double)whole;
    return whole;
}

/* Runs of a few microseconds: the turns are whole in each, and right on the average of them. */
static uint64_t run_pulses(struct hf_counted *counted, uint64_t cycles, double run_ticks)
{
    const struct hf_counted_tuning *tuning = counted->tuning;
    uint64_t per_step = counted->kernel->stages_per_step;
    uint64_t runs = (uint64_t)(run_ticks / counted->period_ticks) / per_step;
    uint64_t done = 0;

    runs = (runs != 0 ? runs : 1) * per_step; /* so that a run is whole steps for every on part */
    while (done + runs <= cycles) {
        uint64_t steps = runs * tuning->on / per_step;

        counted->kernel->pulse(counted->state, steps, tuning->on, whole_turns(counted, tuning->idle_turns));
        counted->steps += steps;
        done += runs;
    }
    counted->batch_work_ticks = (double)(done * tuning->on) / (double)per_step * tuning->step_ticks;
    return done;
}

static uint64_t run_calls(struct hf_counted *counted, uint64_t cycles)
{
    const struct hf_counted_tuning *tuning = counted->tuning;

    for (uint64_t i = 0; i < cycles; i++) {
        counted->kernel->advance(counted->state, tuning->on);
        idle(whole_turns(counted, tuning->idle_turns));
    }
    counted->steps += cycles * tuning->on;
    counted->batch_work_ticks =
        (double)cycles * (tuning->call_ticks + (double)(tuning->on - 1) * tuning->step_ticks);
    return cycles;
}

static uint64_t run_random(struct hf_counted *counted, uint64_t cycles)
{
    const struct hf_counted_tuning *tuning = counted->tuning;
    double on_ticks = counted->duty * counted->period_ticks;
    double most = (double)counted->kernel->burst_steps;
    uint64_t steps_before = counted->steps;

    for (uint64_t i = 0; i < cycles; i++) {
        unsigned draw = counted->draw++ % HF_COUNTED_DRAWS;
        double steps = 1.5 + (counted->on_draw[draw] * on_ticks - tuning->call_ticks) / tuning->step_ticks;
        uint64_t on = steps < 1 ? 1 : (uint64_t)(steps < most ? steps : most);

        counted->kernel->advance(counted->state, on);
        counted->steps += on;
        idle(whole_turns(counted, counted->off_draw[draw] * tuning->idle_turns));
    }
    counted->batch_work_ticks = (double)cycles * (tuning->call_ticks - tuning->step_ticks) +
                                (double)(counted->steps - steps_before) * tuning->step_ticks;
    return cycles;
}

/* Ends of random batches come where the draws will have it: they aim lower. */
static uint64_t cycles_of_batch(const struct hf_counted *counted, uint64_t ticks)
{
    double share = counted->is_random ? 0.8 : BATCH_SHARE;
    double cycles = (double)ticks * share / counted->period_ticks;

    return cycles < CYCLES_MAX ? (uint64_t)cycles : CYCLES_MAX;
}

uint64_t hf_counted_run(struct hf_counted *counted, uint64_t now, uint64_t end)
{
    double run_ticks = PULSE_RUN_S * hf_ticks_per_second();
    uint64_t begin, cycles;

    if (counted->tuning->key != counted->key)
        calibrate(counted);
    counted->batch_cycles = 0;
    counted->batch_ticks = counted->batch_work_ticks = 0;
    begin = hf_ticks_now();
    if (begin < now || begin >= end)
        return 0;
    cycles = cycles_of_batch(counted, end - begin);
    if (in_pulses(counted))
        cycles = run_pulses(counted, cycles, run_ticks);
    else
        cycles = counted->is_random ? run_random(counted, cycles) : run_calls(counted, cycles);
    if (cycles == 0)
        return 0;
    counted->batch_cycles = cycles;
    counted->batch_ticks = (double)(hf_ticks_now() - begin);
    correct(counted, counted->batch_ticks / (double)cycles);
    return cycles;
}
