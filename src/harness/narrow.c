#include "harness/narrow.h"

#include <assert.h>
#include <math.h>
#include <string.h>

#define FAULTS_TO_MEASURE 4
#define FAULTS_TO_CONFIRM 6
#define FAULTS_TO_BELIEVE                                                                                    \
    2 /* one fault may be anything: a fault that has nothing to do with the ratio, too */
#define FAILS_WITHIN    1.5  /* x the mean time of what is narrowed: such a load fails */
#define HOLDS_BEYOND    15.0 /* such a load holds */
#define RISK_FAILS      0.05 /* of taking a load that holds for one that fails */
#define RISK_HOLDS      0.02 /* of taking one that fails for one that holds: an element stays for nothing */
#define SERVED_MOST     3.0  /* x the exposure that shows that it holds: then undecided */
#define MEASURE_TIMES   10.0 /* x the recorded exposure */
#define MEASURE_MORE_S  600.0
#define CONFIRM_TIMES   30.0 /* x the mean time */
#define MEAN_CONFIDENCE 0.90
#define BASE_CONFIDENCE 0.80 /* a failing load is taken to be no quicker than this */

const char *hf_narrow_kind_name(enum hf_narrow_kind kind)
{
    static const char *const names[] = {"replay", "measure", "try", "confirm"};

    return names[kind];
}

/* --- loads ------------------------------------------------------------------------------------------- */

static uint8_t *part_of(struct hf_narrow_load *load, enum hf_narrow_part part, int *ret_count)
{
    switch (part) {
    case HF_NARROW_ENTRIES:
        *ret_count = HF_MIX_ENTRIES_MAX;
        return load->entry;
    case HF_NARROW_COMPANY:
        *ret_count = HF_GROUPS_MAX;
        return load->company;
    case HF_NARROW_CORES:
        *ret_count = HF_NARROW_CORES_MAX;
        return load->core;
    case HF_NARROW_PATTERNS:
    case HF_NARROW_PART_COUNT:
        break;
    }
    *ret_count = HF_MIX_ENTRIES_MAX;
    return load->pattern;
}

int hf_narrow_size(const struct hf_narrow_load *load, enum hf_narrow_part part)
{
    struct hf_narrow_load copy = *load;
    int count, size = 0;
    const uint8_t *element = part_of(&copy, part, &count);

    for (int i = 0; i < count; i++)
        size += element[i] != 0;
    return size;
}

/* A mix has an entry, a group a core; company and patterns may all go. */
static int may_be_empty(enum hf_narrow_part part)
{
    return part == HF_NARROW_COMPANY || part == HF_NARROW_PATTERNS;
}

static int same_load(const struct hf_narrow_load *a, const struct hf_narrow_load *b)
{
    return memcmp(a, b, sizeof *a) == 0;
}

static int was_tried(const struct hf_narrow *narrow, const struct hf_narrow_load *load)
{
    for (int i = 0; i < narrow->tried_count; i++) {
        if (same_load(&narrow->tried[i].load, load))
            return 1;
    }
    return 0;
}

/* --- the candidates of one part ---------------------------------------------------------------------- */

/* Piece number p of `pieces`: whether the element at `rank` of `size` lies in it. */
static int in_piece(int rank, int size, int pieces, int p)
{
    return rank >= size * p / pieces && rank < size * (p + 1) / pieces;
}

/* The load that `piece` stands for; 0: there is none, or it has been tried. */
static int candidate(const struct hf_narrow *narrow, struct hf_narrow_load *ret_load)
{
    struct hf_narrow_load load = narrow->load;
    int size = hf_narrow_size(&load, narrow->part), left = 0, rank = 0, count;
    uint8_t *element = part_of(&load, narrow->part, &count);
    int alone = narrow->piece < narrow->pieces;
    int p = alone ? narrow->piece : narrow->piece - narrow->pieces;

    for (int i = 0; i < count; i++) {
        if (!element[i])
            continue;
        element[i] = narrow->piece >= 0 && in_piece(rank++, size, narrow->pieces, p) == alone;
        left += element[i];
    }
    for (int i = 0; i < HF_MIX_ENTRIES_MAX; i++)
        load.pattern[i] &= load.entry[i];
    if (left == size || (left == 0 && !may_be_empty(narrow->part)) || was_tried(narrow, &load))
        return 0;
    *ret_load = load;
    return 1;
}

static void begin_part(struct hf_narrow *narrow, enum hf_narrow_part part)
{
    narrow->part = part;
    narrow->pieces = 2;
    narrow->piece = -1;
}

/* From one candidate to the next; 0: all rounds are over. */
static int step_on(struct hf_narrow *narrow)
{
    int size = hf_narrow_size(&narrow->load, narrow->part);

    if (++narrow->piece < 2 * narrow->pieces)
        return 1;
    narrow->piece = 0;
    if (narrow->pieces < size) {
        narrow->pieces = 2 * narrow->pieces < size ? 2 * narrow->pieces : size;
        return 1;
    }
    if (narrow->part + 1 < HF_NARROW_PART_COUNT) {
        begin_part(narrow, narrow->part + 1);
        return 1;
    }
    begin_part(narrow, HF_NARROW_ENTRIES);
    if (!narrow->shrunk)
        return 0;
    narrow->shrunk = 0; /* what could not go before may go now that others have gone */
    return 1;
}

/* --- trials ------------------------------------------------------------------------------------------ */

static void make_confirm(struct hf_narrow *narrow)
{
    narrow->trial = (struct hf_narrow_trial){
        .kind = HF_NARROW_CONFIRM,
        .load = narrow->load,
        .rule = {.faults_max = FAULTS_TO_CONFIRM, .served_max = CONFIRM_TIMES * narrow->base_s}};
}

static void make_try(struct hf_narrow *narrow, const struct hf_narrow_load *load)
{
    double fails_s = FAILS_WITHIN * narrow->base_s, holds_s = HOLDS_BEYOND * narrow->base_s;
    struct hf_sequential_rule *rule = &narrow->trial.rule;

    narrow->trial = (struct hf_narrow_trial){.kind = HF_NARROW_TRY, .load = *load};
    rule->has_test = 1;
    hf_sequential_claim(holds_s, fails_s, RISK_FAILS, RISK_HOLDS, &rule->test);
    rule->served_max = SERVED_MOST * hf_sequential_accept_s(fails_s, holds_s / fails_s, RISK_HOLDS);
}

/* The next candidate that has not been tried, or the confirmation. `fresh`: the present piece is new. */
static void choose_next(struct hf_narrow *narrow, int fresh)
{
    struct hf_narrow_load load;

    while (fresh || step_on(narrow)) {
        fresh = 0;
        if (narrow->tried_count < HF_NARROW_TRIES_MAX && candidate(narrow, &load)) {
            make_try(narrow, &load);
            return;
        }
    }
    make_confirm(narrow);
}

static void make_measure(struct hf_narrow *narrow)
{
    narrow->trial = (struct hf_narrow_trial){
        .kind = HF_NARROW_MEASURE,
        .load = narrow->config.whole,
        .rule = {.faults_max = FAULTS_TO_MEASURE,
                 .served_max = MEASURE_TIMES * narrow->config.recorded_s + MEASURE_MORE_S}};
}

static void make_replay(struct hf_narrow *narrow)
{
    const struct hf_narrow_config *config = &narrow->config;
    struct hf_narrow_load load = config->whole;

    memset(load.entry, 0, sizeof load.entry);
    memset(load.pattern, 0, sizeof load.pattern);
    load.entry[config->slice_entry] = 1;
    load.pattern[config->slice_entry] = config->whole.pattern[config->slice_entry];
    narrow->trial =
        (struct hf_narrow_trial){.kind = HF_NARROW_REPLAY,
                                 .load = load,
                                 .rule = {.faults_max = FAULTS_TO_MEASURE, .served_max = config->replay_s}};
}

void hf_narrow_init(struct hf_narrow *narrow, const struct hf_narrow_config *config)
{
    assert(config->slice_entry < HF_MIX_ENTRIES_MAX && config->recorded_s >= 0);
    assert(hf_narrow_size(&config->whole, HF_NARROW_ENTRIES) > 0 &&
           hf_narrow_size(&config->whole, HF_NARROW_CORES) > 0);
    memset(narrow, 0, sizeof *narrow);
    narrow->config = *config;
    if (narrow->config.replay_s == 0)
        narrow->config.replay_s = 3 * config->recorded_s + 60;
    if (narrow->config.floor_s == 0)
        narrow->config.floor_s = 1;
    if (config->slice_entry >= 0)
        make_replay(narrow);
    else
        make_measure(narrow);
}

int hf_narrow_next(const struct hf_narrow *narrow, struct hf_narrow_trial *ret_trial)
{
    if (narrow->outcome != HF_NARROW_SEARCHING)
        return 0;
    *ret_trial = narrow->trial;
    return 1;
}

/* --- learning ---------------------------------------------------------------------------------------- */

/* A few quick faults flatter a load: the mean time that later tests start from is the upper limit that they
 * allow. */
static double slowest_s(const struct hf_sequential_tally *tally)
{
    return tally->served_s / hf_gamma_quantile(1 - BASE_CONFIDENCE, tally->faults);
}

static void take_base(struct hf_narrow *narrow, double mean_s)
{
    narrow->base_s = fmax(narrow->config.floor_s, mean_s);
}

static void learn_start(struct hf_narrow *narrow, const struct hf_sequential_tally *tally)
{
    if (tally->faults >= FAULTS_TO_BELIEVE) {
        narrow->load = narrow->trial.load;
        take_base(narrow, slowest_s(tally));
        begin_part(narrow, HF_NARROW_ENTRIES);
        choose_next(narrow, 1);
    } else if (narrow->trial.kind == HF_NARROW_REPLAY) {
        make_measure(narrow);
    } else {
        narrow->outcome = HF_NARROW_NOT_REPRODUCED;
    }
}

/* It still fails: go on from there. Two or three quick faults flatter a load, so the mean time that later
 * tests start from is the upper limit that they allow, and never rises. */
static void shrink_to(struct hf_narrow *narrow, const struct hf_sequential_tally *tally)
{
    int piece_went = narrow->piece >= narrow->pieces;

    narrow->load = narrow->trial.load;
    narrow->shrunk = 1;
    take_base(narrow, fmin(narrow->base_s, slowest_s(tally))); /* it never rises */
    if (piece_went && narrow->pieces > 2) {
        narrow->pieces--;
        narrow->piece = 0;
    } else {
        narrow->pieces = 2;
        narrow->piece = 0;
    }
    choose_next(narrow, 1);
}

static void learn_try(struct hf_narrow *narrow, const struct hf_sequential_tally *tally)
{
    struct hf_narrow_tried *tried = &narrow->tried[narrow->tried_count++];

    tried->load = narrow->trial.load;
    tried->state = hf_sequential_state(&narrow->trial.rule, tally);
    if (tried->state == HF_TEST_REJECTED)
        shrink_to(narrow, tally);
    else
        choose_next(narrow, 0);
}

void hf_narrow_learn(struct hf_narrow *narrow, const struct hf_sequential_tally *tally)
{
    assert(narrow->outcome == HF_NARROW_SEARCHING);
    switch (narrow->trial.kind) {
    case HF_NARROW_REPLAY:
    case HF_NARROW_MEASURE:
        narrow->last = *tally;
        learn_start(narrow, tally);
        break;
    case HF_NARROW_TRY:
        learn_try(narrow, tally);
        break;
    case HF_NARROW_CONFIRM:
        narrow->last = *tally;
        narrow->outcome = tally->faults >= FAULTS_TO_BELIEVE ? HF_NARROW_FOUND : HF_NARROW_NOT_CONFIRMED;
        break;
    }
}

void hf_narrow_mean(const struct hf_narrow *narrow, double *ret_mean_s, double *ret_low_s, double *ret_high_s)
{
    double tail = (1 - MEAN_CONFIDENCE) / 2;
    int faults = narrow->last.faults;
    int ended_by_fault = faults >= FAULTS_TO_CONFIRM;

    assert(narrow->outcome == HF_NARROW_FOUND && faults > 0);
    *ret_mean_s = narrow->last.served_s / faults;
    *ret_low_s = narrow->last.served_s / hf_gamma_quantile(1 - tail, ended_by_fault ? faults : faults + 1);
    *ret_high_s = narrow->last.served_s / hf_gamma_quantile(tail, faults);
}
