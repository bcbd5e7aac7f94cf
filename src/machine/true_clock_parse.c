/* The true clock's pure parts: parsers, the TSC's rate, the judgement. */
#include <assert.h>
#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "holdfast/true_clock.h"

#define SAMPLES_NEEDED  3
#define STOLEN_BELIEVED 0.01
#define JUDGED_MAX      4096 /* newest samples of a trial that are looked at */

/* --- words ------------------------------------------------------------------------------------------ */

const char *hf_clock_method_name(enum hf_clock_method method)
{
    static const char *const names[] = {
#define HF_CLOCK_METHOD_NAME(code, name, sentence) [code] = name,
        HF_CLOCK_METHOD_LIST(HF_CLOCK_METHOD_NAME)};

    assert((unsigned)method < HF_CLOCK_METHOD_COUNT);
    return names[method];
}

const char *hf_clock_method_sentence(enum hf_clock_method method)
{
    static const char *const sentences[] = {
#define HF_CLOCK_METHOD_SENTENCE(code, name, sentence) [code] = sentence,
        HF_CLOCK_METHOD_LIST(HF_CLOCK_METHOD_SENTENCE)};

    assert((unsigned)method < HF_CLOCK_METHOD_COUNT);
    return sentences[method];
}

/* --- the TSC ---------------------------------------------------------------------------------------- */

double hf_tsc_hz(const struct hf_tsc_mark *first, const struct hf_tsc_mark *last, double *ret_error)
{
    double from = 0.5 * ((double)first->before_ns + (double)first->after_ns);
    double seconds = (0.5 * ((double)last->before_ns + (double)last->after_ns) - from) * 1e-9;
    double widths = (double)(first->after_ns - first->before_ns) + (double)(last->after_ns - last->before_ns);

    if (!(seconds > 0) || last->tsc <= first->tsc)
        return 0;
    *ret_error = 0.5 * widths * 1e-9 / seconds;
    return (double)(last->tsc - first->tsc) / seconds;
}

static int flags_have(const char *line, size_t size, const char *word)
{
    size_t length = strlen(word);

    for (size_t at = 1; at + length <= size; at++) {
        if ((line[at - 1] == ' ' || line[at - 1] == '\t') && memcmp(line + at, word, length) == 0 &&
            (at + length == size || line[at + length] == ' '))
            return 1;
    }
    return 0;
}

int hf_tsc_is_steady(const char *cpuinfo, size_t size, const char *clocksource)
{
    size_t at = 0;

    while (at < size) {
        const char *end = memchr(cpuinfo + at, '\n', size - at);
        size_t length = end != NULL ? (size_t)(end - cpuinfo) - at : size - at;

        if (length > 5 && memcmp(cpuinfo + at, "flags", 5) == 0)
            return flags_have(cpuinfo + at, length, "constant_tsc") &&
                   flags_have(cpuinfo + at, length, "nonstop_tsc") &&
                   (strcmp(clocksource, "tsc") == 0 || strcmp(clocksource, "kvm-clock") == 0);
        at += length + 1;
    }
    return 0;
}

/* --- small files ------------------------------------------------------------------------------------ */

/* Decimal digits at *at; 0 and the number, or -1. */
static int take_u64(const char *bytes, size_t size, size_t *at, uint64_t *ret_value)
{
    uint64_t value = 0;
    size_t begin = *at;

    while (*at < size && isdigit((unsigned char)bytes[*at])) {
        unsigned digit = (unsigned)(bytes[*at] - '0');

        if (value > (UINT64_MAX - digit) / 10)
            return -1;
        value = value * 10 + digit;
        (*at)++;
    }
    *ret_value = value;
    return *at > begin ? 0 : -1;
}

static int take_word(const char *bytes, size_t size, size_t *at, const char *word)
{
    size_t length = strlen(word);

    if (*at > size || size - *at < length || memcmp(bytes + *at, word, length) != 0)
        return -1;
    *at += length;
    return 0;
}

int hf_feedback_parse(const char *bytes, size_t size, uint64_t *ret_reference, uint64_t *ret_delivered)
{
    uint64_t reference, delivered;
    size_t at = 0;

    if (take_word(bytes, size, &at, "ref:") != 0 || take_u64(bytes, size, &at, &reference) != 0 ||
        take_word(bytes, size, &at, " del:") != 0 || take_u64(bytes, size, &at, &delivered) != 0)
        return -1;
    while (at < size && isspace((unsigned char)bytes[at]))
        at++;
    if (at != size)
        return -1;
    *ret_reference = reference;
    *ret_delivered = delivered;
    return 0;
}

/* user nice system idle iowait irq softirq steal guest guest_nice: guest time is within user already. */
static int parse_ticks(const char *bytes, size_t size, struct hf_cpu_ticks *ret_ticks)
{
    struct hf_cpu_ticks ticks = {0};
    uint64_t value;
    size_t at = 0;
    int field = 0;

    for (; field < 8; field++) {
        while (at < size && bytes[at] == ' ')
            at++;
        if (take_u64(bytes, size, &at, &value) != 0)
            break;
        ticks.total += value;
        if (field == 3 || field == 4)
            ticks.idle += value;
        if (field == 7)
            ticks.stolen = value;
    }
    if (field < 5)
        return -1;
    *ret_ticks = ticks;
    return 0;
}

int hf_cpu_ticks_parse(const char *bytes, size_t size, int cpu, struct hf_cpu_ticks *ret_ticks)
{
    char head[24];
    size_t length = (size_t)snprintf(head, sizeof head, "cpu%d ", cpu);
    size_t at = 0;

    while (at < size) {
        const char *end = memchr(bytes + at, '\n', size - at);
        size_t line = end != NULL ? (size_t)(end - bytes) - at : size - at;

        if (line > length && memcmp(bytes + at, head, length) == 0)
            return parse_ticks(bytes + at + length, line - length, ret_ticks);
        at += line + 1;
    }
    return -1;
}

/* --- the budget ------------------------------------------------------------------------------------- */

int hf_clock_budget_take(struct hf_clock_budget *budget, int64_t now_ns, int64_t cost_ns, double share)
{
    assert(share > 0 && cost_ns >= 0);
    if (now_ns < budget->next_ns)
        return 0;
    budget->next_ns = now_ns + (int64_t)ceil((double)cost_ns / share);
    return 1;
}

/* --- the judgement ---------------------------------------------------------------------------------- */

static int compare_doubles(const void *left, const void *right)
{
    double a = *(const double *)left;
    double b = *(const double *)right;

    return (a > b) - (a < b);
}

/* Fills believed[] and the counts. The counters count only while the core runs, so what is stolen does not
 * touch them; the chain is timed by the wall's clock. */
static int sort_out(const struct hf_clock_sample *samples, int count, double *believed,
                    struct hf_clock_judgement *judgement)
{
    int first = count > JUDGED_MAX ? count - JUDGED_MAX : 0;

    for (int i = first; i < count; i++) {
        const struct hf_clock_sample *sample = &samples[i];
        int by_wall = sample->method == HF_CLOCK_CHAIN || sample->method == HF_CLOCK_CYCLES;

        judgement->throttled |= sample->throttles > 0;
        if (!(sample->mhz > 0) || !isfinite(sample->mhz))
            judgement->unknown++;
        else if (by_wall && sample->stolen >= STOLEN_BELIEVED)
            judgement->stolen++;
        else
            believed[judgement->believed++] = sample->mhz;
    }
    qsort(believed, (size_t)judgement->believed, sizeof believed[0], compare_doubles);
    return judgement->believed;
}

void hf_clock_judge(const struct hf_clock_sample *samples, int count, double asked_mhz, double tolerance,
                    struct hf_clock_judgement *ret_judgement)
{
    struct hf_clock_judgement judgement = {HF_CLOCK_UNDECIDED, (double)NAN, (double)NAN, 0, 0, 0, 0, ""};
    double believed[JUDGED_MAX];
    int n = sort_out(samples, count, believed, &judgement);

    assert(asked_mhz > 0 && tolerance >= 0);
    if (n > 0) {
        judgement.lowest_mhz = believed[0];
        judgement.median_mhz = n % 2 != 0 ? believed[n / 2] : 0.5 * (believed[n / 2 - 1] + believed[n / 2]);
    }
    if (n < SAMPLES_NEEDED) {
        judgement.why = judgement.stolen > 0 ? "the hypervisor takes too much of the time to tell the clock"
                                             : "there are too few measurements of the clock";
    } else if (judgement.median_mhz < asked_mhz * (1.0 - tolerance)) {
        judgement.finding = HF_CLOCK_SHORTFALL;
        judgement.why = judgement.throttled ? "the clock was throttled for heat or power"
                                            : "the clock was stretched or held back by the firmware";
    } else {
        judgement.finding = HF_CLOCK_HELD;
        judgement.why = "the clock asked for was reached";
    }
    *ret_judgement = judgement;
}
