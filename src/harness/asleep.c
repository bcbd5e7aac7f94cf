/*
 * A machine that slept did not work, and wakes with what its firmware thinks right: a setting may be another
 * one than before. So the trials under way are void, and of their load counts what the journal had before the
 * sleep; the next trials apply and read back their settings anew.
 *
 * The monotonic clock stands still in a sleep, the boot's clock does not: their difference is the time
 * asleep.
 */
#include "harness/supervisor_private.h"
#include "holdfast/clock.h"

#define SLEEP_MIN_NS INT64_C(100000000) /* the clocks are read one after the other */

static int64_t slept_ns(const struct hf_supervisor *s)
{
    return s->options->slept_ns != NULL ? s->options->slept_ns(s->options->slept_context)
                                        : hf_clock_slept_ns();
}

void hf_asleep_begin(struct hf_supervisor *s)
{
    s->slept_ns = slept_ns(s);
}

/* Nobody can say which side of the sleep the rest was on. */
static void forget_unwritten(struct hf_trial *trial)
{
    trial->exposure_s = trial->journalled_s;
}

void hf_asleep_tick(struct hf_supervisor *s)
{
    int64_t now_ns = slept_ns(s);
    double slept_s = (double)(now_ns - s->slept_ns) * 1e-9;

    if (now_ns - s->slept_ns < SLEEP_MIN_NS)
        return;
    s->slept_ns = now_ns;
    if (s->phase != HF_PHASE_RUNNING)
        return;
    hf_supervisor_note(s, "the machine was asleep for %.1f s%s", slept_s,
                       hf_trial_any_open(s) ? ": the trials under way prove nothing" : "");
    forget_unwritten(&s->joint);
    for (int g = 0; g < s->profile->group_count; g++)
        forget_unwritten(&s->trial[g]);
    hf_trials_interrupt_all(s, "the machine was asleep meanwhile");
}
