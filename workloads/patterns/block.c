/*
 * One block: start, bursts under the slice's pattern, digest.
 *
 * What the workers have in common is the slice and its epoch; from these each finds out by itself what to do
 * now. Nobody may rely on being on time: a worker may be away for milliseconds at any moment.
 *
 * Invariants:
 *   1. steps and solo_steps count exactly what the states were advanced by.
 *   2. An edge is met when work begins within the tolerance after it; otherwise it is missed: its work is
 *      skipped, except that a phase with at least JOIN_S left is joined, up to its scheduled end. Nothing is
 *      ever done later than scheduled to make up for it. A phase that began before the block did is not an
 *      edge of this block. A burst out of a sleep is met within half its length: being late is what it is
 *      for.
 *   3. No count that a fault may have damaged makes a worker run on for long: bursts, batches and idle turns
 *      are capped.
 *   4. Between two looks at *stop lie at most a burst (about 40 us; one step where a step is longer), a
 *      counted batch, 10 ms of rest, or a sleep of the pattern wake (50 ms), after which no work begins.
 *   5. A block ends at its deadline; the pattern wake moves it, once, behind the burst that follows a sleep.
 *
 *                 waits for the edge
 *     REST  ------------------------> MAIN, SOLO, STREAM, COUNTED: met -> works until the end, looks again
 *       ^                                      |
 *       +---- missed and short, or done -------+
 */
#include <assert.h>
#include <sys/prctl.h>
#include <time.h>

#include "holdfast/random.h"
#include "workloads/patterns/counted.h"
#include "workloads/patterns/schedule.h"

#if defined(__x86_64__)
#define PAUSE() __builtin_ia32_pause()
#else
#define PAUSE() __asm__ volatile("")
#endif

#define BLOCK_LONGEST_S  0.1
#define BURST_S          40e-6
#define BURST_EXPECTED_S 20e-6 /* what hf_kernel.burst_steps stand for */
#define BURSTS_AT_ONCE   16    /* no advance() is longer than so many natural bursts */
#define JOIN_S           500e-6
#define TOLERANCE_LOW_S  100e-9
#define TOLERANCE_HIGH_S 1e-6
#define SLEEP_ABOVE_S    1e-3   /* shorter rests are spun through */
#define SLEEP_EARLY_S    300e-6 /* wakes up this much before the edge */
#define SLEEP_LONGEST_S  10e-3
#define WAKE_ROOM_S      2e-3   /* a burst out of a sleep, with the time that waking takes */
#define PAUSE_ABOVE_S    150e-9 /* the last stretch is spun without pausing: a pause may take 50 ns */

/* A kernel at work, and how long its steps take. */
struct load {
    const struct hf_kernel *kernel;
    void *state;
    double step_ticks;
    uint64_t steps;
};

struct block_run {
    const struct hf_place *place;
    const volatile int *stop;
    struct hf_timeline timeline;
    struct load main;
    struct load solo;
    struct load stream;
    struct hf_counted counted;
    uint64_t begin; /* absolute ticks */
    uint64_t deadline;
    int extended;        /* the deadline was moved */
    uint64_t edges_seen; /* edges of the slice that were met, missed, or before the block */
    uint64_t edges_met;
    uint64_t edges_missed;
};

static _Thread_local struct hf_edge_log *edge_log;

static _Thread_local struct hf_planting *planting;

void hf_edge_log_set(struct hf_edge_log *log)
{
    edge_log = log;
}

void hf_planting_set(struct hf_planting *wanted)
{
    planting = wanted;
}

static uint64_t ticks_of(const struct block_run *run, double seconds)
{
    return (uint64_t)(seconds * run->timeline.ticks_per_second);
}

static int is_over(const struct block_run *run, uint64_t now)
{
    return now >= run->deadline || __atomic_load_n(run->stop, __ATOMIC_RELAXED) != 0;
}

/* --- waiting --- */

static void sleep_before(const struct block_run *run, uint64_t left_ticks)
{
    double seconds = (double)left_ticks / run->timeline.ticks_per_second - SLEEP_EARLY_S;
    struct timespec duration = {0};

    if (seconds > SLEEP_LONGEST_S)
        seconds = SLEEP_LONGEST_S;
    duration.tv_nsec = (long)(seconds * 1e9);
    (void)clock_nanosleep(CLOCK_MONOTONIC, 0, &duration, NULL); /* cut short: the caller looks at the clock */
}

/* A sleep in one piece. The kernel may wake a thread 50 us late to save a timer, unless it is told not to. */
static void sleep_until(const struct block_run *run, uint64_t when)
{
    static _Thread_local int exact;

    if (!exact)
        (void)prctl(PR_SET_TIMERSLACK, 1UL, 0UL, 0UL, 0UL);
    exact = 1;
    for (;;) {
        uint64_t now = hf_ticks_now();
        struct timespec duration = {0};

        if (now >= when || is_over(run, now))
            return;
        duration.tv_nsec = (long)((double)(when - now) / run->timeline.ticks_per_second * 1e9);
        (void)clock_nanosleep(CLOCK_MONOTONIC, 0, &duration, NULL);
    }
}

static void wait_until(const struct block_run *run, uint64_t when)
{
    uint64_t sleep_above = ticks_of(run, SLEEP_ABOVE_S);
    uint64_t pause_above = ticks_of(run, PAUSE_ABOVE_S);
    uint64_t end = when < run->deadline ? when : run->deadline;

    for (;;) {
        uint64_t now = hf_ticks_now();

        if (now >= end || is_over(run, now))
            return;
        if (end - now > sleep_above)
            sleep_before(run, end - now);
        else if (end - now > pause_above)
            PAUSE();
    }
}

/* --- working --- */

/* The estimate follows shorter measurements at once and longer ones slowly: being away is not the step's
 * fault. */
static void pace_update(struct load *load, uint64_t steps, uint64_t ticks)
{
    double measured = (double)(ticks + 1) / (double)steps;

    if (measured < load->step_ticks)
        load->step_ticks = measured;
    else
        load->step_ticks *= measured < 1.1 * load->step_ticks ? measured / load->step_ticks : 1.1;
}

static void plant(const struct block_run *run, struct load *load)
{
    uint64_t now = hf_ticks_now();

    if (planting->planted_ticks != 0 || now - run->begin < planting->after_ticks)
        return;
    load->kernel->plant(load->state, planting->bit);
    planting->planted_ticks = now;
}

static void burst(const struct block_run *run, struct load *load, uint64_t steps, uint64_t now)
{
    load->kernel->advance(load->state, steps);
    load->steps += steps;
    pace_update(load, steps, hf_ticks_now() - now);
    if (planting != NULL)
        plant(run, load);
}

/* Bursts up to `end`, at least `least` steps in all. */
static void work_until(const struct block_run *run, struct load *load, uint64_t end, uint64_t least)
{
    double burst_ticks = (double)ticks_of(run, BURST_S);
    uint64_t now = hf_ticks_now();

    while (now < end && !is_over(run, now)) {
        double left = (double)((end < run->deadline ? end : run->deadline) - now);
        uint64_t steps = (uint64_t)((left < burst_ticks ? left : burst_ticks) / load->step_ticks);

        if (steps > BURSTS_AT_ONCE * load->kernel->burst_steps)
            steps = BURSTS_AT_ONCE * load->kernel->burst_steps;
        if (steps < 1 && left > burst_ticks)
            steps = 1; /* a step longer than a burst */
        if (steps < least)
            steps = least;
        if (steps == 0)
            return;
        burst(run, load, steps, now);
        least = 0;
        now = hf_ticks_now();
    }
}

static void log_cycles(const struct hf_counted *counted)
{
    if (edge_log == NULL || edge_log->batch_count >= edge_log->batch_max || counted->batch_cycles == 0)
        return;
    edge_log->batch_period_ticks[edge_log->batch_count] =
        counted->batch_ticks / (double)counted->batch_cycles;
    edge_log->batch_work_share[edge_log->batch_count] = counted->batch_work_ticks / counted->batch_ticks;
    edge_log->batch_count++;
}

static void work(struct block_run *run, const struct hf_phase *phase, uint64_t now)
{
    uint64_t end = run->place->epoch_ticks + phase->end;

    switch (phase->work) {
    case HF_WORK_COUNTED:
        run->edges_met += hf_counted_run(&run->counted, now, end < run->deadline ? end : run->deadline);
        log_cycles(&run->counted);
        break;
    case HF_WORK_SOLO:
        work_until(run, &run->solo, end, 0); /* late for the release is worse than a step less */
        break;
    case HF_WORK_STREAM:
        work_until(run, &run->stream, end, 0);
        break;
    default:
        work_until(run, &run->main, end, 1);
        break;
    }
}

/* --- edges --- */

/* A batch of counted cycles stands for as many edges. */
static uint64_t edges_of(const struct block_run *run, const struct hf_phase *phase)
{
    if (phase->work != HF_WORK_COUNTED)
        return 1;
    return (uint64_t)((double)(phase->end - phase->begin) / run->counted.period_ticks + 0.5);
}

static void log_edge(const struct hf_phase *phase)
{
    if (edge_log == NULL || edge_log->count >= edge_log->max)
        return;
    edge_log->number[edge_log->count] = phase->edges - 1;
    edge_log->ticks[edge_log->count] = hf_ticks_now(); /* the work is the next thing that happens */
    edge_log->count++;
}

/* Edges that went by unseen up to this phase; its own one, if it has one, is for edge_decide(). */
static void count_skipped(struct block_run *run, const struct hf_phase *phase)
{
    int has_own = phase->work == HF_WORK_MAIN || phase->work == HF_WORK_COUNTED;
    uint64_t before = phase->edges - (uint64_t)has_own;

    if (before > run->edges_seen)
        run->edges_missed += (before - run->edges_seen) * edges_of(run, phase);
    if (phase->edges > run->edges_seen)
        run->edges_seen = phase->edges;
}

static uint64_t tolerance_ticks(const struct block_run *run, const struct hf_phase *phase)
{
    uint64_t low = ticks_of(run, TOLERANCE_LOW_S);
    uint64_t high = ticks_of(run, TOLERANCE_HIGH_S);
    uint64_t eighth = (phase->end - phase->begin) / 8;

    if (phase->waking)
        return 4 * eighth;
    return eighth < low ? low : (eighth > high ? high : eighth);
}

/* Decides on a phase of work that holds `now`: 1 work, 0 skip. */
static int edge_decide(struct block_run *run, const struct hf_phase *phase, uint64_t now)
{
    uint64_t edge = run->place->epoch_ticks + phase->begin;
    int long_enough = run->place->epoch_ticks + phase->end - now >= ticks_of(run, JOIN_S);

    if (edge < run->begin)
        return long_enough && phase->work != HF_WORK_COUNTED;
    if (now - edge > tolerance_ticks(run, phase)) {
        run->edges_missed += edges_of(run, phase);
        return long_enough && phase->work != HF_WORK_COUNTED;
    }
    if (phase->work != HF_WORK_COUNTED) /* counted cycles are counted when they have run */
        run->edges_met++;
    if (phase->work == HF_WORK_MAIN || phase->work == HF_WORK_COUNTED)
        log_edge(phase);
    return 1;
}

static struct hf_phase phase_at(const struct block_run *run, uint64_t now)
{
    uint64_t t = now > run->place->epoch_ticks ? now - run->place->epoch_ticks : 0;
    struct hf_phase phase = hf_timeline_at(&run->timeline, t);

    assert(t >= phase.begin && t < phase.end);
    return phase;
}

/* Invariant 5. */
static void make_room(struct block_run *run, const struct hf_phase *phase, uint64_t now)
{
    uint64_t wanted = run->place->epoch_ticks + phase->end + ticks_of(run, WAKE_ROOM_S);
    uint64_t latest = run->begin + ticks_of(run, BLOCK_LONGEST_S);

    if (!phase->waking || run->extended || phase->work != HF_WORK_REST || now >= run->deadline)
        return;
    if (wanted <= run->deadline || wanted > latest)
        return;
    run->deadline = wanted;
    run->extended = 1;
}

/* Waits for the end of a phase; what comes next is worked out before the wait, not after it. */
static struct hf_phase wait_for_next(const struct block_run *run, const struct hf_phase *phase)
{
    uint64_t epoch = run->place->epoch_ticks;
    struct hf_phase next = *phase;
    uint64_t now;

    if (phase->end < HF_PHASE_END_NEVER)
        next = hf_timeline_at(&run->timeline, phase->end);
    if (phase->waking && phase->work == HF_WORK_REST && epoch + phase->end <= run->deadline)
        sleep_until(run, epoch + phase->end);
    wait_until(run, epoch + phase->end);
    now = hf_ticks_now();
    return now >= epoch + next.begin && now < epoch + next.end ? next : phase_at(run, now);
}

/* What went by while the worker was away at the end. */
static void count_rest(struct block_run *run, uint64_t now)
{
    struct hf_phase phase = phase_at(run, now < run->deadline ? now : run->deadline);

    if (phase.edges > run->edges_seen)
        run->edges_missed += (phase.edges - run->edges_seen) * edges_of(run, &phase);
}

static void run_pattern(struct block_run *run)
{
    uint64_t epoch = run->place->epoch_ticks;
    struct hf_phase phase;
    uint64_t now;

    if (run->begin > epoch)
        run->edges_seen = phase_at(run, run->begin).edges;
    wait_until(run, epoch);
    now = hf_ticks_now();
    phase = phase_at(run, now);
    while (!is_over(run, now)) {
        make_room(run, &phase, now);
        count_skipped(run, &phase);
        if (phase.work != HF_WORK_REST && edge_decide(run, &phase, now))
            work(run, &phase, now);
        if (run->extended && phase.work == HF_WORK_MAIN)
            break;
        phase = wait_for_next(run, &phase);
        now = hf_ticks_now();
        if (now >= epoch + phase.end)
            phase = phase_at(run, now);
    }
    if (now > epoch)
        count_rest(run, now);
}

/* --- the block --- */

static uint64_t solo_seed(uint64_t block_seed)
{
    return hf_mix64(block_seed ^ UINT64_C(0x736f6c6f)); /* "solo" */
}

static uint64_t stream_seed(uint64_t block_seed)
{
    return hf_mix64(block_seed ^ UINT64_C(0x73747265616d)); /* "stream" */
}

static uint64_t all_digests(uint64_t main, uint64_t solo, uint64_t stream)
{
    return hf_mix64(main + hf_mix64(solo + 1 + hf_mix64(stream + 1)));
}

static int has_stream(const struct hf_slice *slice)
{
    return slice->pattern == HF_PATTERN_SOLO_THEN_ALL && slice->stream_kernel >= 0;
}

static void load_init(struct load *load, const struct block_run *run, int32_t kernel, void *state)
{
    load->kernel = hf_kernel_at(kernel);
    load->state = state;
    load->step_ticks = (double)ticks_of(run, BURST_EXPECTED_S) / (double)load->kernel->burst_steps;
}

static void block_begin(struct block_run *run, const struct hf_slice *slice, uint64_t block_seed,
                        double block_s, char *states)
{
    enum hf_operands operands = (enum hf_operands)slice->operands;

    hf_timeline_init(&run->timeline, slice, run->place, hf_ticks_per_second());
    load_init(&run->main, run, slice->kernel, states);
    run->main.kernel->start(states, operands, block_seed);
    if (slice->solo_kernel >= 0) {
        load_init(&run->solo, run, slice->solo_kernel, states + hf_kernel_state_bytes_max());
        run->solo.kernel->start(run->solo.state, operands, solo_seed(block_seed));
    }
    if (has_stream(slice)) {
        load_init(&run->stream, run, slice->stream_kernel, states + 2 * hf_kernel_state_bytes_max());
        run->stream.kernel->start(run->stream.state, operands, stream_seed(block_seed));
    }
    if (hf_slice_is_counted(slice))
        hf_counted_init(&run->counted, &run->timeline, run->main.kernel, states);
    run->begin = hf_ticks_now();
    run->deadline = run->begin + ticks_of(run, block_s);
}

void hf_block_run(const struct hf_slice *slice, const struct hf_place *place, uint64_t block_seed,
                  double block_s, void *states, const volatile int *stop, struct hf_block *ret_block)
{
    struct block_run run = {.place = place, .stop = stop};
    uint64_t digest, solo = 0, stream = 0;

    assert((uintptr_t)states % 64 == 0);
    assert(block_s > 0 && block_s <= BLOCK_LONGEST_S);
    assert(slice->pattern != HF_PATTERN_SOLO_THEN_ALL || slice->solo_kernel >= 0);
    block_begin(&run, slice, block_seed, block_s, states);
    run_pattern(&run);
    digest = run.main.kernel->digest(run.main.state);
    if (run.solo.kernel != NULL)
        solo = run.solo.kernel->digest(run.solo.state);
    if (run.stream.kernel != NULL)
        stream = run.stream.kernel->digest(run.stream.state);
    *ret_block = (struct hf_block){
        .seed = block_seed,
        .steps = run.main.steps + run.counted.steps,
        .solo_steps = run.solo.steps,
        .digest = all_digests(digest, solo, stream),
        .edges_met = run.edges_met,
        .edges_missed = run.edges_missed,
        .stream_steps = run.stream.steps,
    };
}

uint64_t hf_block_expect(const struct hf_slice *slice, const struct hf_block *block)
{
    enum hf_operands operands = (enum hf_operands)slice->operands;
    uint64_t digest = hf_kernel_at(slice->kernel)->expect(operands, block->seed, block->steps);
    uint64_t solo = 0, stream = 0;

    if (slice->solo_kernel >= 0)
        solo = hf_kernel_at(slice->solo_kernel)->expect(operands, solo_seed(block->seed), block->solo_steps);
    if (has_stream(slice))
        stream = hf_kernel_at(slice->stream_kernel)
                     ->expect(operands, stream_seed(block->seed), block->stream_steps);
    return all_digests(digest, solo, stream);
}

static void locate_other(int32_t kernel, enum hf_operands operands, const void *state, uint64_t seed,
                         uint64_t steps, int lanes_from, struct hf_lane_report *report)
{
    hf_kernel_at(kernel)->locate(state, operands, seed, steps, report);
    if (report->lane >= 0)
        report->lane += lanes_from;
}

void hf_block_locate(const struct hf_slice *slice, const struct hf_block *block, const void *states,
                     struct hf_lane_report *ret_report)
{
    enum hf_operands operands = (enum hf_operands)slice->operands;
    const char *state = states;
    size_t bytes = hf_kernel_state_bytes_max();

    hf_kernel_at(slice->kernel)->locate(states, operands, block->seed, block->steps, ret_report);
    if (ret_report->lane < 0 && slice->solo_kernel >= 0)
        locate_other(slice->solo_kernel, operands, state + bytes, solo_seed(block->seed), block->solo_steps,
                     HF_LANE_SOLO, ret_report);
    if (ret_report->lane < 0 && has_stream(slice))
        locate_other(slice->stream_kernel, operands, state + 2 * bytes, stream_seed(block->seed),
                     block->stream_steps, HF_LANE_STREAM, ret_report);
}
