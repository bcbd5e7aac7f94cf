/*
 * The sheet driver: a person enters the ratios in the firmware setup; this driver says which, on one page.
 *
 * Invariants:
 *  1. in_force[g] is a step that a person has confirmed since open and that nobody asked to change since;
 * else -1. The driver itself never learns what the firmware does.
 *  2. in_force[g] never exceeds the group's highest step.
 *
 *                 apply: differs (REQUESTED)                confirm(step)
 *   UNKNOWN (-1) ----------------------------> UNKNOWN ------------------> KNOWN(step)
 *      ^                                                                     |  apply: same step (DONE)
 *      +---------------------------------------------------------------------+  stays KNOWN
 *                 apply: differs (REQUESTED)
 */
#include <assert.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "drivers/drivers.h"

/* A restart, a menu and a start of the machine: engineering judgement, no source. */
#define CHANGE_S 300.0

struct sheet_state {
    const struct hf_driver_config *config;
    int16_t in_force[HF_GROUPS_MAX];
};

static void check(const struct sheet_state *state)
{
    for (int i = 0; i < state->config->group_count; i++)
        assert(state->in_force[i] >= -1 && state->in_force[i] <= state->config->groups[i].highest_step);
}

static int sheet_open(const struct hf_driver_config *config, void **ret_state, struct hf_error *error)
{
    struct sheet_state *state;

    if (hf_driver_check_config(config, error) != HF_OK)
        return error->code;
    state = hf_allocate(1, sizeof *state);
    if (state == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the sheet driver");
    state->config = config;
    memset(state->in_force, 0xff, sizeof state->in_force);
    check(state);
    *ret_state = state;
    return HF_OK;
}

static void sheet_close(void *state)
{
    hf_free(state);
}

static void sheet_cost(const void *state, struct hf_driver_cost *ret_cost)
{
    (void)state;
    *ret_cost = (struct hf_driver_cost){.apply_s = CHANGE_S, .needs_reboot = 1, .needs_person = 1};
}

/* --- the page --------------------------------------------------------------------------------------- */

/* What stood there last, as far as is known; -1. */
static int present_step(const struct sheet_state *state, int group)
{
    if (state->in_force[group] >= 0 || state->config->last_step == NULL)
        return state->in_force[group];
    return state->config->last_step[group];
}

static int differs(const struct sheet_state *state, const int16_t *wanted, int group)
{
    return wanted[group] >= 0 && wanted[group] != state->in_force[group];
}

/* step -1: the group is none of this run's. */
static void add_row(const struct sheet_state *state, int group, int step, struct hf_text *page)
{
    const struct hf_driver_config *config = state->config;
    int now = present_step(state, group);
    char wanted[HF_RATIO_TEXT] = "as it is";
    char mhz[HF_RATIO_TEXT] = "";
    char present[HF_RATIO_TEXT] = "not known";
    struct hf_text cpus;

    hf_text_init(&cpus, page->max_size);
    hf_driver_add_cpus(&config->groups[group], &cpus);
    if (step >= 0) {
        hf_driver_ratio_format(hf_driver_ratio(config, step), wanted);
        (void)snprintf(mhz, sizeof mhz, "%.2f", hf_driver_ratio(config, step) * config->base_clock_mhz);
    }
    if (now >= 0)
        hf_driver_ratio_format(hf_driver_ratio(config, now), present);
    hf_text_addf(page, "  %-14s  %-18s  %8s  %9s  %9s  %s\n", config->groups[group].name, cpus.bytes, wanted,
                 mhz, present,
                 step < 0      ? "-"
                 : step == now ? "keep"
                               : "change");
    page->overflowed |= cpus.overflowed;
    hf_text_release(&cpus);
}

static void add_head(const struct hf_driver_config *config, struct hf_text *page)
{
    hf_text_addf(page,
                 "RATIOS TO ENTER BY HAND\n"
                 "\n"
                 "Restart the machine into its firmware setup and see that each core group has\n"
                 "the ratio listed here: all groups are, also those that keep what was entered\n"
                 "last. Then save, and start the machine again. Leave the base clock at\n"
                 "%.2f MHz, and leave every voltage as it is.\n"
                 "\n"
                 "  %-14s  %-18s  %8s  %9s  %9s\n",
                 config->base_clock_mhz, "core group", "CPUs", "ratio", "MHz", "last");
}

static const char cautions[] =
    "\n"
    "Before you begin\n"
    "  Heat     A faster clock makes more heat. See that every fan and pump runs, and\n"
    "           that nothing blocks the air. Leave liquid cooling and mains to\n"
    "           qualified people.\n"
    "  Data     A clock that does not hold can spoil files without a sign. Use a\n"
    "           scratch system, keep a backup on another machine, and take other\n"
    "           disks out of use.\n"
    "  Limits   Keep to what the makers of processor, board, memory and supply allow.\n"
    "           Beyond that parts may age or fail, and the warranty may end.\n"
    "\n"
    "If the machine does not come up\n"
    "  1. Switch it off, wait half a minute, switch it on: some boards then go back\n"
    "     to safe values by themselves.\n"
    "  2. If not: switch it off, pull the mains plug, and clear the stored settings\n"
    "     the way the board's manual says, usually with a button or a jumper.\n"
    "  3. Enter again only what the machine needs to start, every ratio at baseline.\n"
    "\n"
    "When it is up\n"
    "  Start holdfast again on the same run and say whether these ratios are in\n"
    "  force. If you entered anything else, say no: a wrong answer makes the proof\n"
    "  worthless.\n";

static void add_page(const struct sheet_state *state, const int16_t *wanted, struct hf_text *page)
{
    add_head(state->config, page);
    for (int group = 0; group < state->config->group_count; group++)
        add_row(state, group, wanted[group], page);
    hf_text_add_string(page, cautions);
}

/* --- settings --------------------------------------------------------------------------------------- */

static int sheet_apply(void *opaque, const int16_t *wanted, enum hf_apply_result *ret_result,
                       struct hf_text *request, struct hf_error *error)
{
    struct sheet_state *state = opaque;
    int count = 0;

    check(state);
    if (hf_driver_check_wanted(state->config, wanted, error) != HF_OK)
        return error->code;
    for (int group = 0; group < state->config->group_count; group++)
        count += differs(state, wanted, group);
    if (count == 0) {
        *ret_result = HF_APPLY_DONE;
        return HF_OK;
    }
    add_page(state, wanted, request);
    if (request->overflowed)
        return hf_fail(error, HF_E_FULL, "the page for %d groups does not fit %zu bytes", count,
                       request->max_size);
    for (int group = 0; group < state->config->group_count; group++) {
        if (differs(state, wanted, group))
            state->in_force[group] = -1;
    }
    check(state);
    *ret_result = HF_APPLY_REQUESTED;
    return HF_OK;
}

static int check_group(const struct sheet_state *state, int group, struct hf_error *error)
{
    check(state);
    if (group < 0 || group >= state->config->group_count)
        return hf_fail(error, HF_E_RANGE, "there is no group number %d", group);
    return HF_OK;
}

static int sheet_read_back(void *opaque, int group, int *ret_step, struct hf_error *error)
{
    struct sheet_state *state = opaque;

    if (check_group(state, group, error) != HF_OK)
        return error->code;
    *ret_step = state->in_force[group];
    return HF_OK;
}

static int sheet_confirm(void *opaque, int group, int step, struct hf_error *error)
{
    struct sheet_state *state = opaque;
    char ratio[HF_RATIO_TEXT];

    if (check_group(state, group, error) != HF_OK)
        return error->code;
    hf_driver_ratio_format(hf_driver_ratio(state->config, step), ratio);
    if (step < 0 || step >= state->config->step_count)
        return hf_fail(error, HF_E_RANGE, "group %s: ratio %s is not one that the profile knows",
                       state->config->groups[group].name, ratio);
    if (step > state->config->groups[group].highest_step)
        return hf_fail(error, HF_E_REFUSED,
                       "group %s: ratio %s is above its highest; lower it in the firmware setup",
                       state->config->groups[group].name, ratio);
    state->in_force[group] = (int16_t)step;
    check(state);
    return HF_OK;
}

const struct hf_driver_ops hf_driver_sheet = {
    .name = "sheet",
    .sentence = "prints the ratios that a person enters in the firmware setup; changes nothing by itself",
    .open = sheet_open,
    .close = sheet_close,
    .cost = sheet_cost,
    .apply = sheet_apply,
    .read_back = sheet_read_back,
    .confirm = sheet_confirm,
};
