/*
 * The cpufreq driver: the kernel's clock limits, group by group.
 *
 * It moves within the clocks that the firmware allows: it cannot raise a clock above `cpuinfo_max_freq`, and
 * what it sets is a request that firmware may still undercut. So a trial's true clock is measured beside it
 * (true_clock.h).
 *
 * A group's setting is scaling_min_freq = scaling_max_freq = ratio x base clock, in kHz, in every policy of
 * the group's CPUs and of their siblings: a sibling that asks for more would win. Where the kernel offers the
 * governor `userspace` it is chosen, and the same clock asked for by scaling_setspeed. Modes of the pstate
 * drivers are never switched: that would reset every setting. When a clock above the present
 * `cpuinfo_max_freq` is asked for and boost is switched off, it is switched on.
 *
 * Order of the writes of one policy, since a lower limit above the upper one is refused or cut:
 *   first time:   scaling_governor
 *   going up:     [boost] scaling_max_freq, scaling_setspeed, scaling_min_freq
 *   going down:   scaling_min_freq, scaling_setspeed, scaling_max_freq
 *
 * Invariants
 *  1. No file is written before config->note has its old value (the caller makes that durable).
 * scaling_setspeed is the exception while another governor was in force: it has no value then, and goes with
 * the governor.
 *  2. A policy belongs to one group: where policies couple two groups, or a sibling belongs to another group,
 * open refuses.
 *  3. Nothing is kept between two calls but where the files are: what is in force is what is read.
 */
#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "base/memory.h"
#include "drivers/drivers.h"

#define CPUS         "/sys/devices/system/cpu"
#define BOOST        CPUS "/cpufreq/boost"
#define NO_TURBO     CPUS "/intel_pstate/no_turbo"
#define POLICIES_MAX HF_CPUS_MAX
#define VALUE_MAX    128
#define STEP_SLACK   0.25 /* of a step: closer than that a clock counts as the step's */

struct policy {
    int number;
    int group; /* -1: of no group: left alone */
    int userspace;
};

struct cpufreq_state {
    const struct hf_driver_config *config;
    const struct hf_host *host;
    int16_t group_of_cpu[HF_CPUS_MAX]; /* siblings included */
    int policy_count;
    struct policy policy[POLICIES_MAX];
    struct hf_text *describing; /* writes become lines; NULL: they are made */
};

/* --- files -----------------------------------------------------------------------------------------------
 */

static void policy_path(const struct policy *policy, const char *file, char ret_path[HF_HOST_PATH_MAX])
{
    (void)snprintf(ret_path, HF_HOST_PATH_MAX, CPUS "/cpufreq/policy%d/%s", policy->number, file);
}

static int read_number(const struct cpufreq_state *state, const char *path, int64_t *ret_value,
                       struct hf_error *error)
{
    int wrong = hf_host_integer(state->host, path, ret_value);

    if (wrong == -EBADMSG)
        return hf_fail(error, HF_E_MISSING, "%s holds no number", path);
    return wrong == 0 ? HF_OK : hf_fail(error, HF_E_MISSING, "cannot read %s: %s", path, strerror(-wrong));
}

static int write_failed(const char *path, const char *value, int wrong, struct hf_error *error)
{
    switch (wrong) {
    case EACCES:
    case EPERM:
    case EROFS:
        return hf_fail(error, HF_E_PERMISSION,
                       "%s may not be written: run as root, on a kernel that is not locked down", path);
    case EBUSY:
        return hf_fail(
            error, HF_E_REFUSED,
            "the kernel refuses \"%s\" for %s: it is busy; another program holds it, or the governor forbids "
            "it: stop that program, or choose another governor",
            value, path);
    case EINVAL:
        return hf_fail(error, HF_E_REFUSED, "the kernel refuses \"%s\" for %s: it allows no such value",
                       value, path);
    default:
        return hf_fail(error, HF_E_MISSING, "cannot write \"%s\" to %s: %s", value, path, strerror(wrong));
    }
}

/* Invariant 1. Nothing happens when the file holds the value already. */
static int put(struct cpufreq_state *state, const char *path, const char *value, int noted,
               struct hf_error *error)
{
    const struct hf_driver_config *config = state->config;
    char old[VALUE_MAX];
    int wrong = hf_host_line(state->host, path, old, sizeof old);

    if (wrong < 0)
        return hf_fail(error, HF_E_MISSING, "cannot read %s: %s", path, strerror(-wrong));
    if (strcmp(old, value) == 0)
        return HF_OK;
    if (state->describing != NULL) {
        hf_text_addf(state->describing, "write %-9s to %s (now %s)\n", value, path, old);
        return HF_OK;
    }
    if (config->note == NULL)
        return hf_fail(error, HF_E_REFUSED, "%s: nobody keeps its old value: it is not written", path);
    if (noted && config->note(config->note_context, path, old, value, error) != HF_OK)
        return error->code;
    wrong = state->host->write(state->host->context, path, value);
    return wrong == 0 ? HF_OK : write_failed(path, value, -wrong, error);
}

static int put_khz(struct cpufreq_state *state, const struct policy *policy, const char *file, int64_t khz,
                   int noted, struct hf_error *error)
{
    char path[HF_HOST_PATH_MAX];
    char value[24];

    policy_path(policy, file, path);
    (void)snprintf(value, sizeof value, "%" PRId64, khz);
    return put(state, path, value, noted, error);
}

/* --- which policies are whose ----------------------------------------------------------------------------
 */

/* "0 1 2", as the kernel writes affected_cpus; the count, or -1. */
static int parse_cpus(const char *text, int *ret_list, int max)
{
    int count = 0;

    while (*text != '\0') {
        int64_t cpu;
        size_t length = strcspn(text, " ");

        if (hf_host_parse_integer(text, length, &cpu) != 0 || cpu < 0 || cpu >= HF_CPUS_MAX || count == max)
            return -1;
        ret_list[count++] = (int)cpu;
        text += length;
        text += strspn(text, " ");
    }
    return count;
}

static int claim(struct cpufreq_state *state, int cpu, int group, struct hf_error *error)
{
    int16_t *owner = &state->group_of_cpu[cpu];

    if (*owner >= 0 && *owner != group)
        return hf_fail(error, HF_E_REFUSED,
                       "CPU %d is a sibling of group %s's cores and belongs to group %s: what shares a core "
                       "has one clock; "
                       "put both into one group",
                       cpu, state->config->groups[group].name, state->config->groups[*owner].name);
    *owner = (int16_t)group;
    return HF_OK;
}

static int claim_siblings(struct cpufreq_state *state, int group, int *list, struct hf_error *error)
{
    const struct hf_driver_group *about = &state->config->groups[group];
    char path[HF_HOST_PATH_MAX];
    char text[512];

    for (int i = 0; i < about->cpu_count; i++) {
        struct hf_error ignored = {0};
        int count = 0;

        (void)snprintf(path, sizeof path, CPUS "/cpu%d/topology/thread_siblings_list", about->cpus[i]);
        if (hf_host_line(state->host, path, text, sizeof text) <= 0 ||
            hf_text_parse_cpu_list(text, HF_CPUS_MAX, list, HF_CPUS_MAX, &count, &ignored) != HF_OK)
            continue; /* not told: one thread a core */
        for (int k = 0; k < count; k++) {
            if (claim(state, list[k], group, error) != HF_OK)
                return error->code;
        }
    }
    return HF_OK;
}

static int claim_all(struct cpufreq_state *state, int *list, struct hf_error *error)
{
    const struct hf_driver_config *config = state->config;

    memset(state->group_of_cpu, 0xff, sizeof state->group_of_cpu);
    for (int g = 0; g < config->group_count; g++) {
        for (int i = 0; i < config->groups[g].cpu_count; i++) {
            if (claim(state, config->groups[g].cpus[i], g, error) != HF_OK)
                return error->code;
        }
    }
    for (int g = 0; g < config->group_count; g++) {
        if (claim_siblings(state, g, list, error) != HF_OK)
            return error->code;
    }
    return HF_OK;
}

static int take_policy(struct cpufreq_state *state, int number, int *list, int *covered,
                       struct hf_error *error)
{
    struct policy *policy = &state->policy[state->policy_count];
    char path[HF_HOST_PATH_MAX];
    char text[4096];
    int count;

    *policy = (struct policy){.number = number, .group = -1};
    policy_path(policy, "affected_cpus", path);
    if (hf_host_bytes(state->host, path, text, sizeof text) < 0)
        return HF_OK; /* all its CPUs are switched off */
    text[strcspn(text, "\n")] = '\0';
    count = parse_cpus(text, list, HF_CPUS_MAX);
    if (count < 0)
        return hf_fail(error, HF_E_MISSING, "%s is no list of CPUs", path);
    for (int i = 0; i < count; i++) {
        int group = state->group_of_cpu[list[i]];

        covered[list[i]] = 1;
        if (group >= 0 && policy->group >= 0 && group != policy->group)
            return hf_fail(error, HF_E_REFUSED,
                           "the kernel's policy%d moves CPUs of the groups %s and %s together: they cannot "
                           "be set apart; "
                           "put them into one group, or use another driver",
                           number, state->config->groups[policy->group].name,
                           state->config->groups[group].name);
        policy->group = group >= 0 ? group : policy->group;
    }
    policy_path(policy, "scaling_available_governors", path);
    policy->userspace =
        hf_host_line(state->host, path, text, sizeof text) > 0 && strstr(text, "userspace") != NULL;
    state->policy_count++;
    return HF_OK;
}

static int find_policies(struct cpufreq_state *state, int *list, int *numbers, int *covered,
                         struct hf_error *error)
{
    const struct hf_driver_config *config = state->config;
    int count = hf_host_numbers(state->host, CPUS "/cpufreq", "policy", numbers, POLICIES_MAX);

    if (count <= 0)
        return hf_fail(
            error, HF_E_MISSING,
            "this kernel controls no clocks (there is no %s/cpufreq/policy0): a virtual machine, or a "
            "processor "
            "driver that is missing or switched off by the firmware; use the driver sheet or command",
            CPUS);
    if (claim_all(state, list, error) != HF_OK)
        return error->code;
    for (int i = 0; i < count; i++) {
        if (take_policy(state, numbers[i], list, covered, error) != HF_OK)
            return error->code;
    }
    for (int g = 0; g < config->group_count; g++) {
        for (int i = 0; i < config->groups[g].cpu_count && !config->groups[g].left_out; i++) {
            if (!covered[config->groups[g].cpus[i]])
                return hf_fail(error, HF_E_MISSING,
                               "group %s: no policy of the kernel controls the clock of CPU %d",
                               config->groups[g].name, config->groups[g].cpus[i]);
        }
    }
    return HF_OK;
}

/* --- limits ----------------------------------------------------------------------------------------------
 */

static int64_t khz_of(const struct hf_driver_config *config, int step)
{
    return (int64_t)llround(hf_driver_ratio(config, step) * config->base_clock_mhz * 1000);
}

/* 1 when a switch stands between the present highest clock and a higher one. */
static int boost_is_off(const struct cpufreq_state *state, const char **ret_path, const char **ret_on)
{
    int64_t value;

    *ret_path = BOOST;
    *ret_on = "1";
    if (hf_host_integer(state->host, BOOST, &value) == 0)
        return value == 0;
    *ret_path = NO_TURBO;
    *ret_on = "0";
    return hf_host_integer(state->host, NO_TURBO, &value) == 0 && value == 1;
}

/* acpi-cpufreq and others leave boost clocks out of cpuinfo_max_freq: nothing can be told beforehand then. */
static int max_is_final(const struct cpufreq_state *state)
{
    return !hf_host_has(state->host, BOOST);
}

/* Opening refuses a profile that asks for more than there is, before the night begins. */
static int check_highest(const struct cpufreq_state *state, struct hf_error *error)
{
    const char *path, *on;
    int off = boost_is_off(state, &path, &on);

    for (int i = 0; i < state->policy_count && !off && max_is_final(state); i++) {
        const struct policy *policy = &state->policy[i];
        char file[HF_HOST_PATH_MAX];
        int64_t khz_max;

        if (policy->group < 0 || state->config->groups[policy->group].left_out)
            continue;
        policy_path(policy, "cpuinfo_max_freq", file);
        if (read_number(state, file, &khz_max, error) != HF_OK)
            return error->code;
        if (khz_of(state->config, state->config->groups[policy->group].highest_step) > khz_max)
            return hf_fail(
                error, HF_E_REFUSED,
                "group %s: the profile's highest ratio is %.2f MHz, and the firmware allows %.2f MHz at most "
                "through the kernel; lower \"highest\", or use the driver command or sheet",
                state->config->groups[policy->group].name,
                (double)khz_of(state->config, state->config->groups[policy->group].highest_step) * 1e-3,
                (double)khz_max * 1e-3);
    }
    return HF_OK;
}

static int check_rights(const struct cpufreq_state *state, struct hf_error *error)
{
    char path[HF_HOST_PATH_MAX];

    for (int i = 0; i < state->policy_count && state->host->is_live; i++) {
        policy_path(&state->policy[i], "scaling_max_freq", path);
        if (state->policy[i].group >= 0 && faccessat(AT_FDCWD, path, W_OK, AT_EACCESS) != 0)
            return hf_fail(
                error, HF_E_PERMISSION,
                "%s may not be written: run as root (sudo), or give this user the right to write there",
                path);
    }
    return HF_OK;
}

/* --- open ------------------------------------------------------------------------------------------------
 */

static int open_all(struct cpufreq_state *state, struct hf_error *error)
{
    int *list = hf_allocate(HF_CPUS_MAX, sizeof *list);
    int *numbers = hf_allocate(POLICIES_MAX, sizeof *numbers);
    int *covered = hf_allocate(HF_CPUS_MAX, sizeof *covered);

    if (list == NULL || numbers == NULL || covered == NULL)
        (void)hf_fail(error, HF_E_MEMORY, "no memory for the cpufreq driver");
    else if (find_policies(state, list, numbers, covered, error) == HF_OK &&
             check_rights(state, error) == HF_OK)
        (void)check_highest(state, error);
    hf_free(list);
    hf_free(numbers);
    hf_free(covered);
    return error->code;
}

static int cpufreq_open(const struct hf_driver_config *config, void **ret_state, struct hf_error *error)
{
    struct cpufreq_state *state;

    if (hf_driver_check_config(config, error) != HF_OK)
        return error->code;
    if (config->host == NULL)
        return hf_fail(error, HF_E_MISSING, "the driver cpufreq has no machine to work on");
    state = hf_allocate(1, sizeof *state);
    if (state == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the cpufreq driver");
    state->config = config;
    state->host = config->host;
    if (open_all(state, error) != HF_OK) {
        hf_free(state);
        return error->code;
    }
    *ret_state = state;
    return HF_OK;
}

static void cpufreq_close(void *state)
{
    hf_free(state);
}

static void cpufreq_cost(const void *state, struct hf_driver_cost *ret_cost)
{
    (void)state;
    *ret_cost = (struct hf_driver_cost){.apply_s = 0.01};
}

/* --- settings --------------------------------------------------------------------------------------------
 */

/* Boost is switched on when that is what stands in the way; a clock that is still beyond is refused
 * unwritten. */
static int allow_clock(struct cpufreq_state *state, const struct policy *policy, int64_t khz,
                       struct hf_error *error)
{
    const char *path, *on;
    char file[HF_HOST_PATH_MAX];
    int64_t khz_max;

    policy_path(policy, "cpuinfo_max_freq", file);
    if (read_number(state, file, &khz_max, error) != HF_OK)
        return error->code;
    if (khz <= khz_max)
        return HF_OK;
    if (boost_is_off(state, &path, &on)) {
        if (put(state, path, on, 1, error) != HF_OK || state->describing != NULL)
            return error->code;
        if (read_number(state, file, &khz_max, error) != HF_OK)
            return error->code;
    }
    if (khz <= khz_max || !max_is_final(state))
        return HF_OK; /* where boost clocks are not told: what is in force then is read back */
    return hf_fail(error, HF_E_REFUSED,
                   "group %s: %.2f MHz is more than the firmware allows, %.2f MHz; not written",
                   state->config->groups[policy->group].name, (double)khz * 1e-3, (double)khz_max * 1e-3);
}

/* The governor userspace, where there is one. *ret_noted: scaling_setspeed had a value before. */
static int take_governor(struct cpufreq_state *state, const struct policy *policy, int *ret_noted,
                         struct hf_error *error)
{
    char path[HF_HOST_PATH_MAX];
    int64_t ignored;

    policy_path(policy, "scaling_setspeed", path);
    *ret_noted = hf_host_integer(state->host, path, &ignored) == 0;
    policy_path(policy, "scaling_governor", path);
    if (put(state, path, "userspace", 1, error) == HF_OK || error->code == HF_E_PERMISSION)
        return error->code;
    hf_error_clear(error); /* its module is missing: the limits alone do it */
    return HF_OK;
}

static int set_speed(struct cpufreq_state *state, const struct policy *policy, int64_t khz, int noted,
                     struct hf_error *error)
{
    char path[HF_HOST_PATH_MAX];
    char governor[32];

    policy_path(policy, "scaling_governor", path);
    if (state->describing == NULL && (hf_host_line(state->host, path, governor, sizeof governor) < 0 ||
                                      strcmp(governor, "userspace") != 0))
        return HF_OK;
    return put_khz(state, policy, "scaling_setspeed", khz, noted, error);
}

/* An upper limit that was cut would make the lower one wrong as well: it is said here, where it is clear. */
static int check_upper(struct cpufreq_state *state, const struct policy *policy, int64_t khz,
                       struct hf_error *error)
{
    char path[HF_HOST_PATH_MAX];
    int64_t khz_now;

    policy_path(policy, "scaling_max_freq", path);
    if (state->describing != NULL || read_number(state, path, &khz_now, error) != HF_OK || khz_now >= khz)
        return error->code;
    return hf_fail(
        error, HF_E_REFUSED,
        "group %s: %.2f MHz was asked for and the kernel keeps %.2f MHz (policy%d): the firmware, heat, or "
        "another program limits it; lower \"highest\" in the profile, or stop that program",
        state->config->groups[policy->group].name, (double)khz * 1e-3, (double)khz_now * 1e-3,
        policy->number);
}

static int set_policy(struct cpufreq_state *state, const struct policy *policy, int64_t khz,
                      struct hf_error *error)
{
    char path[HF_HOST_PATH_MAX];
    int64_t khz_now;
    int noted = 0;
    int up;

    policy_path(policy, "scaling_max_freq", path);
    if (allow_clock(state, policy, khz, error) != HF_OK ||
        read_number(state, path, &khz_now, error) != HF_OK ||
        (policy->userspace && take_governor(state, policy, &noted, error) != HF_OK))
        return error->code;
    up = khz > khz_now;
    if (put_khz(state, policy, up ? "scaling_max_freq" : "scaling_min_freq", khz, 1, error) != HF_OK ||
        (up && check_upper(state, policy, khz, error) != HF_OK) ||
        (policy->userspace && set_speed(state, policy, khz, noted, error) != HF_OK))
        return error->code;
    return put_khz(state, policy, up ? "scaling_min_freq" : "scaling_max_freq", khz, 1, error);
}

static int set_all(struct cpufreq_state *state, const int16_t *wanted, struct hf_error *error)
{
    if (hf_driver_check_wanted(state->config, wanted, error) != HF_OK)
        return error->code;
    for (int i = 0; i < state->policy_count; i++) {
        const struct policy *policy = &state->policy[i];

        if (policy->group >= 0 && wanted[policy->group] >= 0 &&
            set_policy(state, policy, khz_of(state->config, wanted[policy->group]), error) != HF_OK)
            return error->code;
    }
    return HF_OK;
}

static int cpufreq_apply(void *opaque, const int16_t *wanted, enum hf_apply_result *ret_result,
                         struct hf_text *request, struct hf_error *error)
{
    (void)request;
    if (set_all(opaque, wanted, error) == HF_OK)
        *ret_result = HF_APPLY_DONE;
    return error->code;
}

static int cpufreq_describe(void *opaque, const int16_t *wanted, struct hf_text *lines,
                            struct hf_error *error)
{
    struct cpufreq_state *state = opaque;

    state->describing = lines;
    (void)set_all(state, wanted, error);
    state->describing = NULL;
    return error->code;
}

/* The step whose clock this is; -1: none is near. */
static int step_of_khz(const struct hf_driver_config *config, int64_t khz)
{
    double steps = ((double)khz * 1e-3 / config->base_clock_mhz - config->ratio_lowest) / config->ratio_step;

    if (fabs(steps - round(steps)) > STEP_SLACK || round(steps) < 0 || round(steps) >= config->step_count)
        return -1;
    return (int)round(steps);
}

/* Every policy of the group must agree, upper limit and lower. */
static int cpufreq_read_back(void *opaque, int group, int *ret_step, struct hf_error *error)
{
    static const char *const files[] = {"scaling_min_freq", "scaling_max_freq"};
    const struct cpufreq_state *state = opaque;
    int step = -2; /* nothing read yet */

    if (group < 0 || group >= state->config->group_count)
        return hf_fail(error, HF_E_RANGE, "there is no group number %d", group);
    for (int i = 0; i < state->policy_count; i++) {
        for (int k = 0; k < 2 && state->policy[i].group == group; k++) {
            char path[HF_HOST_PATH_MAX];
            int64_t khz;
            int own;

            policy_path(&state->policy[i], files[k], path);
            if (read_number(state, path, &khz, error) != HF_OK)
                return error->code;
            own = step_of_khz(state->config, khz);
            step = step == -2 || step == own ? own : -1;
        }
    }
    assert(step != -2); /* find_policies: every CPU is covered */
    *ret_step = step;
    return HF_OK;
}

const struct hf_driver_ops hf_driver_cpufreq = {
    .name = "cpufreq",
    .sentence =
        "sets the kernel's clock limits; moves within the clocks that the firmware allows; needs root",
    .open = cpufreq_open,
    .close = cpufreq_close,
    .cost = cpufreq_cost,
    .apply = cpufreq_apply,
    .read_back = cpufreq_read_back,
    .describe = cpufreq_describe,
};
