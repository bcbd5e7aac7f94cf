/* The timelines of the patterns: pure functions, so what they claim can be checked without running anything.
 */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "holdfast/random.h"
#include "workloads/patterns/schedule.h"

#define RATE    2.6e9 /* ticks a second; any will do */
#define WORKERS 16
#define ROUNDS  60000

static const double rate = RATE;

static struct hf_slice square_slice(double period_s, double duty, enum hf_sync sync)
{
    return (struct hf_slice){.seed = 4711,
                             .pattern = HF_PATTERN_SQUARE,
                             .solo_kernel = -1,
                             .sync = (int32_t)sync,
                             .period_s = period_s,
                             .duty = duty,
                             .length_s = 1};
}

static struct hf_place place_of(int worker)
{
    return (struct hf_place){
        .worker = worker, .worker_count = WORKERS, .group = worker / 4, .rank = worker % 4, .group_size = 4};
}

/* Largest distance between the sample's distribution and the uniform one (Kolmogorov 1933). */
static int compare_doubles(const void *left, const void *right)
{
    double a = *(const double *)left;
    double b = *(const double *)right;

    return (a > b) - (a < b);
}

static double distance_from_uniform(double *sample, int count)
{
    double distance = 0;

    qsort(sample, (size_t)count, sizeof sample[0], compare_doubles);
    for (int i = 0; i < count; i++) {
        distance = fmax(distance, fabs(sample[i] - (double)i / count));
        distance = fmax(distance, fabs(sample[i] - (double)(i + 1) / count));
    }
    return distance;
}

/* 1.95 / sqrt(n) is passed by one uniform sample in a thousand (asymptotic Kolmogorov distribution). */
static void assert_uniform(double *sample, int count)
{
    double distance = distance_from_uniform(sample, count);

    if (distance > 1.95 / sqrt(count))
        fail_msg("distance %.5f from the uniform distribution, %d values", distance, count);
}

static void test_detector_of_distance(void **unused)
{
    static double sample[2000];

    (void)unused;
    for (int i = 0; i < 2000; i++)
        sample[i] = pow((i + 0.5) / 2000, 1.1); /* not uniform: must be noticed */
    assert_true(distance_from_uniform(sample, 2000) > 0.03);
}

/* --- solo-then-all --- */

static struct hf_slice rounds_slice(uint64_t seed)
{
    return (struct hf_slice){.seed = seed, .pattern = HF_PATTERN_SOLO_THEN_ALL};
}

static void test_rounds(void **unused)
{
    static double solo[ROUNDS], all[ROUNDS], stream[ROUNDS];
    static int turns[WORKERS];
    struct hf_slice slice = rounds_slice(99);
    int solo_count = 0, long_count = 0, quiet_count = 0, all_count = 0;
    uint64_t begin = 0;

    (void)unused;
    memset(turns, 0, sizeof turns);
    for (uint64_t r = 0; r < ROUNDS; r++) {
        struct hf_round round = hf_round_make(&slice, WORKERS, rate, r, begin);
        double solo_s = (double)(round.release - round.begin) / rate;
        double all_s = (double)(round.stream - round.release) / rate;
        double stream_s = (double)(round.end - round.stream) / rate;

        assert_true(round.begin == begin);
        begin = round.end;
        if (solo_s > 1e-3) {
            assert_true(solo_s > 9.999e-3 && solo_s < 500.001e-3);
            long_count += round.solo_worker >= 0;
            quiet_count += round.solo_worker < 0;
        } else {
            assert_true(solo_s > 4.999e-6 && solo_s < 25.001e-6 && round.solo_worker >= 0);
            solo[solo_count++] = log(solo_s / 5e-6) / log(5.0);
        }
        assert_true(all_s > 49.99e-6 && all_s < 5.001e-3);
        assert_true(stream_s > 19.99e-6 && stream_s < 1.001e-3);
        stream[all_count] = log(stream_s / 20e-6) / log(50.0);
        all[all_count++] = log(all_s / 50e-6) / log(100.0);
        if (round.solo_worker >= 0)
            turns[round.solo_worker]++;
    }
    assert_uniform(solo, solo_count);
    assert_uniform(all, all_count);
    assert_uniform(stream, all_count);
    /* one in 1024 each, within five standard deviations of the binomial count */
    assert_true(fabs(long_count - ROUNDS / 1024.0) < 5 * sqrt(ROUNDS / 1024.0));
    assert_true(fabs(quiet_count - ROUNDS / 1024.0) < 5 * sqrt(ROUNDS / 1024.0));
    for (int w = 0; w < WORKERS; w++) /* in turn, but for the quiet rounds */
        assert_true(turns[w] <= ROUNDS / WORKERS && turns[w] > ROUNDS / WORKERS - 40);
}

/* Without a stream kernel a round ends with the burst. */
static void test_rounds_without_stream(void **unused)
{
    struct hf_slice slice = rounds_slice(99);

    (void)unused;
    slice.stream_kernel = -1;
    for (uint64_t r = 0; r < 1000; r++) {
        struct hf_round round = hf_round_make(&slice, WORKERS, rate, r, 1000 * r);

        assert_true(round.stream == round.end);
    }
}

/* At any time: at most one worker is alone at work, or all of them do the same; the release is one tick for
 * all. */
static void test_release_is_common(void **unused)
{
    struct hf_slice slice = rounds_slice(5);
    int seen[HF_WORK_COUNTED + 1] = {0};
    struct hf_random random;

    (void)unused;
    hf_random_init(&random, 1, 1);
    for (int repeat = 0; repeat < 3000; repeat++) {
        uint64_t t = hf_random_below(&random, (uint64_t)(0.5 * rate));
        uint64_t end = 0;
        int count[HF_WORK_COUNTED + 1] = {0};

        for (int w = 0; w < WORKERS; w++) {
            struct hf_place place = place_of(w);
            struct hf_timeline timeline;
            struct hf_phase phase;

            hf_timeline_init(&timeline, &slice, &place, rate);
            phase = hf_timeline_at(&timeline, t);
            assert_true(t >= phase.begin && t < phase.end);
            assert_true(end == 0 || phase.end == end);
            end = phase.end;
            count[phase.work]++;
            seen[phase.work]++;
        }
        assert_true(count[HF_WORK_MAIN] == WORKERS || count[HF_WORK_STREAM] == WORKERS ||
                    count[HF_WORK_REST] + count[HF_WORK_SOLO] == WORKERS);
        assert_true(count[HF_WORK_SOLO] <= 1 && count[HF_WORK_COUNTED] == 0);
    }
    assert_true(seen[HF_WORK_MAIN] > 0 && seen[HF_WORK_STREAM] > 0 && seen[HF_WORK_SOLO] > 0);
}

/* The cursor saves time and changes nothing: any order of questions, the same answers. */
static void test_rounds_in_any_order(void **unused)
{
    struct hf_slice slices[2] = {{.seed = 5, .pattern = HF_PATTERN_SOLO_THEN_ALL},
                                 {.seed = 6, .pattern = HF_PATTERN_SOLO_THEN_ALL}};
    static uint64_t times[400];
    static struct hf_phase forward[2][400];
    struct hf_place place = place_of(3);
    struct hf_timeline timelines[2];

    (void)unused;
    for (int s = 0; s < 2; s++) {
        hf_timeline_init(&timelines[s], &slices[s], &place, rate);
        for (int i = 0; i < 400; i++) {
            times[i] = (uint64_t)(i * 0.001 * rate);
            forward[s][i] = hf_timeline_at(&timelines[s], times[i]);
        }
    }
    for (int i = 399; i >= 0; i--) {
        for (int s = 0; s < 2; s++) {
            struct hf_phase phase = hf_timeline_at(&timelines[s], times[i]);

            assert_int_equal(phase.work, forward[s][i].work);
            assert_true(phase.begin == forward[s][i].begin && phase.end == forward[s][i].end &&
                        phase.edges == forward[s][i].edges);
        }
    }
}

/* --- square --- */

/* Walks a timeline: phases join without a gap, edges count up by one; returns the share on. */
static double walk(const struct hf_timeline *timeline, uint64_t length, double *ret_first_edge,
                   double *ret_period)
{
    uint64_t t = 0, on = 0, edges = 0, first = 0, last = 0;
    int empty = 0;

    while (t < length) {
        struct hf_phase phase = hf_timeline_at(timeline, t);

        assert_true(phase.begin <= t && phase.end > t && (phase.begin == t || t == 0));
        assert_true(phase.edges == edges || phase.edges == edges + 1);
        if (phase.edges != edges) {
            empty += phase.work != HF_WORK_MAIN;
            first = edges == 0 ? phase.begin : first;
            last = phase.begin;
            edges = phase.edges;
        }
        /* the same phase from any time in it */
        assert_true(hf_timeline_at(timeline, phase.end - 1).begin == phase.begin);
        on += phase.work == HF_WORK_MAIN ? phase.end - phase.begin : 0;
        t = phase.end;
    }
    assert_true(empty <= 6); /* random on times of less than a tick: a few in a thousand cycles at most */
    *ret_first_edge = (double)first;
    *ret_period = (double)(last - first) / (double)(edges - 1);
    return (double)on / (double)t;
}

static void test_square(void **unused)
{
    static const double periods_s[] = {1e-6, 1.7e-6, 33.3e-6, 1e-3, 10.01e-3};
    static const double duties[] = {0.1, 0.25, 0.5, 0.8, 0.9};

    (void)unused;
    for (int sync = 0; sync < HF_SYNC_COUNT; sync++) {
        for (int i = 0; i < 5; i++) {
            struct hf_slice slice = square_slice(periods_s[i], duties[i], (enum hf_sync)sync);
            struct hf_place place = place_of(5);
            struct hf_timeline timeline;
            double first, period, duty;

            hf_timeline_init(&timeline, &slice, &place, rate);
            duty = walk(&timeline, (uint64_t)(periods_s[i] * 2000 * rate), &first, &period);
            assert_true(fabs(duty - duties[i]) < 1e-3);
            assert_true(fabs(period / (periods_s[i] * rate) - 1) < (sync == HF_SYNC_DITHER ? 0.0051 : 1e-5));
            assert_true(first >= 0 && first < periods_s[i] * rate);
        }
    }
}

static double offset_of(const struct hf_slice *slice, int worker)
{
    struct hf_place place = place_of(worker);
    struct hf_timeline timeline;

    hf_timeline_init(&timeline, slice, &place, rate);
    return hf_square_offset_ticks(&timeline) / hf_square_period_ticks(&timeline);
}

static void test_sync_modes(void **unused)
{
    struct hf_slice free_slice = square_slice(1e-4, 0.5, HF_SYNC_FREE);
    struct hf_slice group = square_slice(1e-4, 0.5, HF_SYNC_GROUP);
    struct hf_slice all = square_slice(1e-4, 0.5, HF_SYNC_ALL);
    struct hf_slice antiphase = square_slice(1e-4, 0.5, HF_SYNC_ANTIPHASE);

    (void)unused;
    for (int a = 0; a < WORKERS; a++) {
        assert_true(offset_of(&all, a) == 0);
        assert_true(offset_of(&antiphase, a) == (a / 4 % 2 ? 0.5 : 0.0));
        for (int b = 0; b < a; b++) {
            assert_true(offset_of(&free_slice, a) != offset_of(&free_slice, b));
            assert_int_equal(offset_of(&group, a) == offset_of(&group, b), a / 4 == b / 4);
        }
    }
}

/* Dither: within a few hundred cycles a pair of workers has gone through every alignment. */
static void test_dither_drifts(void **unused)
{
    struct hf_slice slice = square_slice(10e-6, 0.5, HF_SYNC_DITHER);
    struct hf_place places[2] = {place_of(0), place_of(9)};
    struct hf_timeline timelines[2];
    int seen[10] = {0};

    (void)unused;
    for (int w = 0; w < 2; w++)
        hf_timeline_init(&timelines[w], &slice, &places[w], rate);
    assert_true(hf_square_period_ticks(&timelines[0]) != hf_square_period_ticks(&timelines[1]));
    for (int cycle = 0; cycle < 100000; cycle++) {
        double difference =
            cycle * (hf_square_period_ticks(&timelines[0]) - hf_square_period_ticks(&timelines[1]));
        double phase = fmod(fabs(difference) / hf_square_period_ticks(&timelines[0]), 1);

        seen[(int)(phase * 10)] = 1;
    }
    for (int i = 0; i < 10; i++)
        assert_int_equal(seen[i], 1);
}

/* Below a microsecond: whole batches of whole cycles. */
static void test_counted_batches(void **unused)
{
    struct hf_slice slice = square_slice(130e-9, 0.5, HF_SYNC_ALL);
    struct hf_place place = place_of(1);
    struct hf_timeline timeline;
    struct hf_phase phase;
    double cycles;

    (void)unused;
    hf_timeline_init(&timeline, &slice, &place, rate);
    phase = hf_timeline_at(&timeline, (uint64_t)(0.3 * rate));
    cycles = (double)(phase.end - phase.begin) / (130e-9 * rate);
    assert_int_equal(phase.work, HF_WORK_COUNTED);
    assert_true(fabs(cycles - nearbyint(cycles)) < 0.01);
    assert_true((double)(phase.end - phase.begin) / rate < 110e-6);
}

/* --- telegraph --- */

static struct hf_slice telegraph_slice(double period_s, double duty, enum hf_sync sync)
{
    struct hf_slice slice = square_slice(period_s, duty, sync);

    slice.pattern = HF_PATTERN_TELEGRAPH;
    return slice;
}

/* A time of a frame is a uniform spacing: it is below x of the whole with 1 - (1 - x)^(n - 1) (Pyke 1965). */
static void test_telegraph_lengths(void **unused)
{
    static double on[400 * HF_FRAME_CYCLES], off[400 * HF_FRAME_CYCLES];
    static struct hf_frame frame;
    struct hf_slice slice = telegraph_slice(50e-6, 0.3, HF_SYNC_ALL);
    double length = HF_FRAME_CYCLES * 1000.0;
    int count = 0;

    (void)unused;
    for (uint64_t f = 0; f < 400; f++) {
        double on_sum = 0;

        hf_frame_make(&slice, 0, 1000, f, &frame);
        assert_true(frame.on[0] == 0 && frame.on[HF_FRAME_CYCLES] == length);
        for (int i = 0; i < HF_FRAME_CYCLES; i++, count++) {
            double on_share = (frame.off[i] - frame.on[i]) / (0.3 * length);
            double off_share = (frame.on[i + 1] - frame.off[i]) / (0.7 * length);

            assert_true(on_share > 0 && off_share > -1e-12);
            on_sum += on_share;
            on[count] = 1 - pow(1 - on_share, HF_FRAME_CYCLES - 1);
            off[count] = 1 - pow(1 - fmax(off_share, 0), HF_FRAME_CYCLES - 1);
        }
        assert_true(fabs(on_sum - 1) < 1e-9);
    }
    assert_uniform(on, count);
    assert_uniform(off, count);
}

static void test_telegraph_walk(void **unused)
{
    static const double periods_s[] = {4e-6, 33.3e-6, 2e-3};

    (void)unused;
    for (int sync = 0; sync < HF_SYNC_COUNT; sync++) {
        for (int i = 0; i < 3; i++) {
            struct hf_slice slice = telegraph_slice(periods_s[i], 0.5, (enum hf_sync)sync);
            struct hf_place place = place_of(5);
            struct hf_timeline timeline;
            double first, period, duty;

            hf_timeline_init(&timeline, &slice, &place, rate);
            /* sixteen frames: duty and mean period are exact over whole frames */
            duty = walk(&timeline, (uint64_t)(periods_s[i] * 16 * HF_FRAME_CYCLES * rate), &first, &period);
            assert_true(fabs(duty - 0.5) < 0.02);
            assert_true(fabs(period / (periods_s[i] * rate) - 1) < 0.02);
        }
    }
}

static enum hf_work work_at(const struct hf_slice *slice, int worker, uint64_t t)
{
    struct hf_place place = place_of(worker);
    struct hf_timeline timeline;

    hf_timeline_init(&timeline, slice, &place, rate);
    return hf_timeline_at(&timeline, t).work;
}

/* Workers of one group, of two even groups, of an even and an odd one: who works at the same time as worker
 * 0, as a share of random times. 0.5: independent; 1: together; 0: never. */
static void check_company(const struct hf_slice *slice, double same_group, double even, double odd)
{
    static const int others[] = {3, 8, 5};
    double expected[] = {same_group, even, odd};
    struct hf_random random;

    for (int i = 0; i < 3; i++) {
        int together = 0;

        hf_random_init(&random, 1, (uint64_t)i);
        for (int repeat = 0; repeat < 4000; repeat++) {
            uint64_t t = hf_random_below(&random, (uint64_t)rate);

            together += work_at(slice, 0, t) == work_at(slice, others[i], t);
        }
        if (fabs(together / 4000.0 - expected[i]) > (expected[i] == 0.5 ? 0.06 : 0.001))
            fail_msg("sync %s: workers 0 and %d do the same %.1f %% of the time, not %.0f %%",
                     hf_sync_name((enum hf_sync)slice->sync), others[i], together / 40.0, 100 * expected[i]);
    }
}

static void test_telegraph_sync(void **unused)
{
    struct hf_slice slices[HF_SYNC_COUNT];

    (void)unused;
    for (int sync = 0; sync < HF_SYNC_COUNT; sync++)
        slices[sync] = telegraph_slice(200e-6, 0.5, (enum hf_sync)sync);
    check_company(&slices[HF_SYNC_FREE], 0.5, 0.5, 0.5);
    check_company(&slices[HF_SYNC_GROUP], 1, 0.5, 0.5);
    check_company(&slices[HF_SYNC_ALL], 1, 1, 1);
    check_company(&slices[HF_SYNC_ANTIPHASE], 1, 1, 0);
}

/* --- every alignment --- */

/* Dither: over a second, each pair of workers has had its edges at every distance, in tenths of a period; so
 * has everybody's free phase against another's over many slices. */
static void check_alignments(const struct hf_slice *slice, double seconds)
{
    for (int other = 1; other < WORKERS; other++) {
        struct hf_place places[2] = {place_of(0), place_of(other)};
        struct hf_timeline timelines[2];
        int seen[10] = {0};
        double first, second;

        for (int w = 0; w < 2; w++)
            hf_timeline_init(&timelines[w], slice, &places[w], rate);
        first = hf_square_period_ticks(&timelines[0]);
        second = hf_square_period_ticks(&timelines[1]);
        for (double t = 0; t < seconds * rate; t += first) { /* the other's edge that comes next after t */
            double distance = ceil(t / second) * second - t;

            seen[(int)fmin(9, 10 * distance / second)]++;
        }
        for (int i = 0; i < 10; i++) {
            if (seen[i] == 0)
                fail_msg("workers 0 and %d never had their edges %d tenths of %g s apart", other, i,
                         slice->period_s);
        }
    }
}

static void test_every_alignment(void **unused)
{
    static const double periods_s[] = {300e-9, 2e-6, 50e-6, 0.5e-3};

    (void)unused;
    for (int i = 0; i < 4; i++) {
        for (uint64_t seed = 0; seed < 5; seed++) {
            struct hf_slice slice = square_slice(periods_s[i], 0.5, HF_SYNC_DITHER);
            double slowest = 1;

            slice.seed = seed;
            /* two workers drift apart by the difference of their factors: the nearest pair needs longest */
            for (int w = 1; w < WORKERS; w++) {
                struct hf_place places[2] = {place_of(0), place_of(w)};
                struct hf_timeline timelines[2];

                for (int p = 0; p < 2; p++)
                    hf_timeline_init(&timelines[p], &slice, &places[p], rate);
                slowest =
                    fmin(slowest, fabs(hf_dither_factor(&timelines[0]) - hf_dither_factor(&timelines[1])));
            }
            assert_true(slowest > 0);
            check_alignments(&slice, 1.5 * fmax(periods_s[i], 100e-6) / slowest);
        }
    }
}

/* --- wake and swing --- */

static void test_wake_cycles(void **unused)
{
    static double bursts[20000];
    struct hf_slice slice = {.seed = 12, .pattern = HF_PATTERN_WAKE, .sync = HF_SYNC_ALL};
    int two = 0, ten = 0, fifty = 0;

    (void)unused;
    for (uint64_t i = 0; i < 20000; i++) {
        struct hf_wake wake = hf_wake_make(&slice, 0, i);

        two += wake.sleep_s == 2e-3;
        ten += wake.sleep_s == 10e-3;
        fifty += wake.sleep_s == 50e-3;
        bursts[i] = log(wake.burst_s / 0.1e-3) / log(10);
    }
    assert_uniform(bursts, 20000);
    /* shares 0.6, 0.3, 0.1 within five standard deviations */
    assert_int_equal(two + ten + fifty, 20000);
    assert_true(fabs(two - 12000.0) < 5 * sqrt(20000 * 0.24) && fabs(ten - 6000.0) < 5 * sqrt(20000 * 0.21));
}

static void test_wake_walk(void **unused)
{
    (void)unused;
    for (int sync = 0; sync < HF_SYNC_COUNT; sync++) {
        struct hf_slice slice = {.seed = 3, .pattern = HF_PATTERN_WAKE, .sync = sync};
        struct hf_place place = place_of(5);
        struct hf_timeline timeline;
        double first, period, duty;

        hf_timeline_init(&timeline, &slice, &place, rate);
        duty = walk(&timeline, (uint64_t)(30 * rate), &first, &period);
        assert_true(fabs(duty - 0.0408) < 0.006); /* 0.391 ms of 9.591 ms */
        for (uint64_t t = 0; t < (uint64_t)rate; t += (uint64_t)(1.7e-3 * rate)) {
            struct hf_phase phase = hf_timeline_at(&timeline, t); /* back from the end of the walk */

            assert_true(t >= phase.begin && t < phase.end);
            assert_true(phase.waking || phase.begin == 0);
        }
    }
}

/* Antiphase: never an even and an odd group at work at once where the even burst is the one that the odd one
 * repeats; the shift is the longest burst. */
static void test_wake_antiphase(void **unused)
{
    struct hf_slice slice = {.seed = 3, .pattern = HF_PATTERN_WAKE, .sync = HF_SYNC_ANTIPHASE};
    uint64_t shift = (uint64_t)(1e-3 * rate);

    (void)unused;
    for (uint64_t t = 0; t < (uint64_t)(2 * rate); t += 100003) {
        assert_int_equal(work_at(&slice, 5, t + shift), work_at(&slice, 0, t));
        assert_false(work_at(&slice, 5, t) == HF_WORK_MAIN && work_at(&slice, 0, t) == HF_WORK_MAIN);
    }
}

static void test_swing(void **unused)
{
    struct hf_slice slice = square_slice(2, 0.5, HF_SYNC_ALL);

    (void)unused;
    slice.pattern = HF_PATTERN_SWING;
    for (int w = 0; w < WORKERS; w += 5) {
        assert_int_equal(work_at(&slice, w, (uint64_t)(0.1 * rate)), HF_WORK_MAIN);
        assert_int_equal(work_at(&slice, w, (uint64_t)(1.1 * rate)), HF_WORK_REST);
        assert_int_equal(work_at(&slice, w, (uint64_t)(2.9 * rate)), HF_WORK_MAIN);
    }
}

static void test_steady(void **unused)
{
    struct hf_slice slice = {.pattern = HF_PATTERN_STEADY};
    struct hf_place place = place_of(1);
    struct hf_timeline timeline;

    (void)unused;
    hf_timeline_init(&timeline, &slice, &place, rate);
    assert_int_equal(hf_timeline_at(&timeline, 0).work, HF_WORK_MAIN);
    assert_int_equal(hf_timeline_at(&timeline, (uint64_t)(1e5 * rate)).work, HF_WORK_MAIN);
}

static void test_names(void **unused)
{
    (void)unused;
    for (int i = 0; i < HF_PATTERN_COUNT; i++)
        assert_int_equal(hf_pattern_of_name(hf_pattern_name((enum hf_pattern)i)), i);
    for (int i = 0; i < HF_SYNC_COUNT; i++)
        assert_int_equal(hf_sync_of_name(hf_sync_name((enum hf_sync)i)), i);
    assert_int_equal(hf_pattern_of_name(""), -1);
    assert_int_equal(hf_sync_of_name("ALL"), -1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_detector_of_distance),
        cmocka_unit_test(test_rounds),
        cmocka_unit_test(test_rounds_without_stream),
        cmocka_unit_test(test_release_is_common),
        cmocka_unit_test(test_rounds_in_any_order),
        cmocka_unit_test(test_square),
        cmocka_unit_test(test_sync_modes),
        cmocka_unit_test(test_dither_drifts),
        cmocka_unit_test(test_counted_batches),
        cmocka_unit_test(test_telegraph_lengths),
        cmocka_unit_test(test_telegraph_walk),
        cmocka_unit_test(test_telegraph_sync),
        cmocka_unit_test(test_every_alignment),
        cmocka_unit_test(test_wake_cycles),
        cmocka_unit_test(test_wake_walk),
        cmocka_unit_test(test_wake_antiphase),
        cmocka_unit_test(test_swing),
        cmocka_unit_test(test_steady),
        cmocka_unit_test(test_names),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
