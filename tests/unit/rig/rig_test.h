/* What the rig's tests share. */
#ifndef HOLDFAST_TESTS_RIG_TEST_H
#define HOLDFAST_TESTS_RIG_TEST_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <stdlib.h>

#include "holdfast/rig.h"

/* Fails with both sides printed. */
#define assert_between(value, low, high)                                                                     \
    do {                                                                                                     \
        double value_ = (value), low_ = (low), high_ = (high);                                               \
        if (!(value_ >= low_ && value_ <= high_))                                                            \
            fail_msg("%s is %.9g; expected %.9g to %.9g", #value, value_, low_, high_);                      \
    } while (0)

static inline struct hf_rig *rig_make(const struct hf_rig_config *config)
{
    struct hf_error error = {0};
    struct hf_rig *rig = NULL;

    if (hf_rig_new(config, &rig, &error) != HF_OK)
        fail_msg("hf_rig_new: %s", error.message);
    return rig;
}

static inline struct hf_rig_config rig_default(int groups, int cores, uint64_t seed)
{
    struct hf_rig_config config = {.group_count = groups, .cores_per_group = cores};

    hf_rig_config_default(&config);
    config.seed = seed;
    return config;
}

static inline void rig_load(struct hf_rig *rig, int group, const struct hf_load_slice *slices, int count)
{
    struct hf_error error = {0};

    if (hf_rig_set_load(rig, group, slices, count, &error) != HF_OK)
        fail_msg("hf_rig_set_load: %s", error.message);
}

/* The clock at which ln(rate per minute) of `rate(context, step)` crosses 0, between steps by interpolation.
 */
static inline double rig_edge_mhz(const struct hf_rig_config *config, double (*rate)(void *context, int step),
                                  void *context)
{
    double before = -INFINITY;

    for (int step = 0; step < config->step_count; step++) {
        double now = log(rate(context, step) / 60.0);

        if (now >= 0.0 && step > 0)
            return config->lowest_mhz + config->step_mhz * (step - now / (now - before));
        before = now;
    }
    fail_msg("no edge between step 0 and step %d", config->step_count - 1);
    return NAN;
}

static inline int compare_double(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;

    return (x > y) - (x < y);
}

/* Kolmogorov's statistic sqrt(n) D of a sample against the unit exponential. Its 99.9 % point is 1.95
 * (Smirnov 1948). Sorts the sample. */
static inline double ks_exponential(double *sample, int count)
{
    double worst = 0.0;

    qsort(sample, (size_t)count, sizeof *sample, compare_double);
    for (int i = 0; i < count; i++) {
        double law = 1.0 - exp(-sample[i]);

        worst = fmax(worst, fmax(law - (double)i / count, (double)(i + 1) / count - law));
    }
    return sqrt(count) * worst;
}

#define KS_LIMIT 1.95

#endif
