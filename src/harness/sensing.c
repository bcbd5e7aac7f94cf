#include "harness/sensing.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "harness/supervisor_private.h"

#define READ_EVERY_MS   500
#define TAKE_EVERY_NS   INT64_C(50000000)
#define SAME_ROUND_NS   INT64_C(2000000) /* rounds are READ_EVERY_MS apart: closer, and it is the same one */
#define SAMPLE_EVERY_NS INT64_C(1000000000)
#define SAMPLES_MAX     512
#define CHAIN_COST_NS   INT64_C(2200000) /* two runs of a millisecond, and what is around them */
#define CHAIN_SHARE     0.001            /* of the time, at most */
#define FIRST_ROUND_NS  INT64_C(2000000000)

struct core_samples {
    struct hf_core_clock *clock;
    int marked; /* the trial's first reading has been taken: the next one measures */
    int count;
    int64_t pause_ns;
    int64_t next_ns;
    uint32_t chain_seen; /* measurements of the worker that have been taken */
    struct hf_clock_budget budget;
    struct hf_clock_sample sample[SAMPLES_MAX];
};

struct hf_sensing {
    const struct hf_host *host;
    struct hf_sensors *sensors;
    struct hf_sensor_reader *reader;
    struct hf_reading *readings;
    int64_t next_take_ns;
    int64_t round_ns;               /* when the round that was taken last was complete */
    int64_t seen_ns[HF_GROUPS_MAX]; /* when a temperature of the group was believed last */
    struct hf_heat heat[HF_GROUPS_MAX];
    struct hf_clock_source *source;
    struct core_samples *core; /* one a worker */
};

/* --- whose sensors ---------------------------------------------------------------------------------------
 */

static void map_cpus(const struct hf_profile *profile, int16_t *group_of_cpu)
{
    for (int cpu = 0; cpu < HF_CPUS_MAX; cpu++)
        group_of_cpu[cpu] = -1;
    for (int g = 0; g < profile->group_count; g++) {
        for (int i = 0; i < profile->group[g].cpu_count; i++)
            group_of_cpu[profile->cpu[profile->group[g].cpu_first + i]] = (int16_t)g;
    }
}

static void rules_of_profile(const struct hf_profile *profile, struct hf_sensor_rule *rules)
{
    for (int i = 0; i < profile->sensor_count; i++) {
        const struct hf_profile_sensor *from = &profile->sensor[i];

        rules[i] = (struct hf_sensor_rule){.group = from->group, .limit_c = from->limit_c};
        (void)snprintf(rules[i].chip, sizeof rules[i].chip, "%s", from->chip);
        (void)snprintf(rules[i].device, sizeof rules[i].device, "%s", from->device);
        (void)snprintf(rules[i].input, sizeof rules[i].input, "%s", from->input);
        (void)snprintf(rules[i].label, sizeof rules[i].label, "%s", from->label);
        rules[i].role = (enum hf_sensor_role)hf_sensor_role_of_name(from->role);
    }
}

/* A rule that fits nothing is an error: a limit that the profile sets would not be watched. */
static int all_rules_fit(const struct hf_profile *profile, const int *matched, struct hf_error *error)
{
    for (int i = 0; i < profile->sensor_count; i++) {
        const struct hf_profile_sensor *sensor = &profile->sensor[i];

        if (matched[i] == 0 && strcmp(sensor->role, "ignored") != 0)
            return hf_fail(error, HF_E_MISSING,
                           "the profile's sensor number %d (chip \"%s\" label \"%s\" input \"%s\") is not on "
                           "this machine, "
                           "or another entry before it takes it; holdfast survey --json shows the names",
                           i + 1, sensor->chip, sensor->label, sensor->input);
    }
    return HF_OK;
}

static int open_sensors(const struct hf_profile *profile, const struct hf_host *host,
                        struct hf_sensors **ret_set, struct hf_error *error)
{
    int16_t *group_of_cpu = hf_allocate(HF_CPUS_MAX, sizeof *group_of_cpu);
    struct hf_sensor_rule *rules = hf_allocate(HF_PROFILE_SENSORS_MAX, sizeof *rules);
    int *matched = hf_allocate(HF_PROFILE_SENSORS_MAX, sizeof *matched);
    struct hf_sensors *set = NULL;

    if (group_of_cpu == NULL || rules == NULL || matched == NULL)
        (void)hf_fail(error, HF_E_MEMORY, "no memory for the sensors");
    else if (hf_sensors_new(host, &set, error) == HF_OK) {
        map_cpus(profile, group_of_cpu);
        hf_sensors_roles_by_topology(set, group_of_cpu, HF_CPUS_MAX);
        rules_of_profile(profile, rules);
        hf_sensors_roles_by_rules(set, rules, profile->sensor_count, matched);
        (void)all_rules_fit(profile, matched, error);
    }
    hf_free(group_of_cpu);
    hf_free(rules);
    hf_free(matched);
    if (error->code != HF_OK)
        hf_sensors_free(set);
    else
        *ret_set = set;
    return error->code;
}

/* --- how hot ---------------------------------------------------------------------------------------------
 */

/* 1 when the sensor stands for the group's own temperature. */
static int is_of_group(const struct hf_sensor *sensor, int group)
{
    return sensor->kind == HF_SENSOR_TEMPERATURE &&
           ((sensor->role == HF_ROLE_GROUP && sensor->group == group) || sensor->role == HF_ROLE_PACKAGE);
}

/* The supply stage and the coolant stop every group's load. */
static int is_watched_for(const struct hf_sensor *sensor, int group)
{
    return sensor->kind == HF_SENSOR_TEMPERATURE &&
           (is_of_group(sensor, group) || sensor->role == HF_ROLE_SUPPLY || sensor->role == HF_ROLE_COOLANT);
}

static void take_limit(const struct hf_sensor *sensor, double celsius, double standard_c,
                       struct hf_heat *heat)
{
    double limit_c = isnan(sensor->limit_c) ? standard_c : sensor->limit_c;

    if (!isnan(heat->excess_c) && celsius - limit_c <= heat->excess_c)
        return;
    heat->excess_c = celsius - limit_c;
    heat->limit_c = limit_c;
    heat->sensor = sensor->key;
}

static void heat_of(const struct hf_sensors *set, const struct hf_reading *readings, double standard_c,
                    int group, struct hf_heat *ret_heat)
{
    double own = (double)NAN;
    double package = (double)NAN;

    *ret_heat = (struct hf_heat){.celsius = (double)NAN,
                                 .excess_c = (double)NAN,
                                 .limit_c = standard_c,
                                 .sensor = "",
                                 .reason = "no sensor of its own, and none of the package"};
    for (int i = 0; i < hf_sensors_count(set); i++) {
        const struct hf_sensor *sensor = hf_sensors_at(set, i);
        double celsius = readings[i].value;

        if (!is_watched_for(sensor, group))
            continue;
        if (readings[i].trouble != HF_SENSOR_GOOD) {
            if (is_of_group(sensor, group))
                ret_heat->reason = hf_sensor_trouble_sentence(readings[i].trouble);
            continue;
        }
        take_limit(sensor, celsius, standard_c, ret_heat);
        if (sensor->role == HF_ROLE_GROUP)
            own = fmax(own, celsius); /* fmax passes over a NAN */
        else if (sensor->role == HF_ROLE_PACKAGE)
            package = fmax(package, celsius);
    }
    ret_heat->celsius = isnan(own) ? package : own;
}

/* A jump is judged against the round before, so a sensor that is well is believed in the first one. */
int hf_sensing_check(const struct hf_profile *profile, const struct hf_host *host, struct hf_error *error)
{
    struct hf_sensors *set = NULL;
    struct hf_reading *readings = NULL;
    struct hf_heat heat;

    if (open_sensors(profile, host, &set, error) != HF_OK)
        return error->code;
    readings = hf_allocate((size_t)hf_sensors_count(set) + 1, sizeof *readings);
    if (readings == NULL) {
        (void)hf_fail(error, HF_E_MEMORY, "no memory for the readings of %d sensors", hf_sensors_count(set));
    } else {
        (void)hf_sensors_read(set, 0, hf_host_monotonic_ns(host) + FIRST_ROUND_NS, readings);
        for (int g = 0; g < profile->group_count && error->code == HF_OK && !profile->temperature_unwatched;
             g++) {
            heat_of(set, readings, profile->temperature_limit_c, g, &heat);
            if (!profile->group[g].left_out && isnan(heat.celsius))
                (void)hf_fail(
                    error, HF_E_REFUSED,
                    "no temperature of core group %s can be read (%s): a real machine is not loaded blind. "
                    "holdfast survey shows the sensors: load the module it names, give a sensor the role "
                    "core-group or package under \"sensors\" in the profile, or write \"temperature\": "
                    "\"unwatched\" there and watch it yourself",
                    profile->group[g].name, heat.reason);
        }
    }
    hf_free(readings);
    hf_sensors_free(set);
    return error->code;
}

static void note_sensors(struct hf_supervisor *s)
{
    const struct hf_sensors *set = s->sensing->sensors;
    int watched = 0;

    for (int i = 0; i < hf_sensors_count(set); i++) {
        const struct hf_sensor *sensor = hf_sensors_at(set, i);

        watched += sensor->kind == HF_SENSOR_TEMPERATURE && sensor->role != HF_ROLE_NONE &&
                   sensor->role != HF_ROLE_IGNORED;
    }
    hf_supervisor_note(s, "%d temperature sensor(s) watched, limit %.0f degC where the profile sets no other",
                       watched, s->profile->temperature_limit_c);
}

static void take_round(struct hf_supervisor *s, int64_t round_ns)
{
    struct hf_sensing *sensing = s->sensing;

    sensing->round_ns = round_ns;
    for (int g = 0; g < s->profile->group_count; g++) {
        heat_of(sensing->sensors, sensing->readings, s->profile->temperature_limit_c, g, &sensing->heat[g]);
        if (!isnan(sensing->heat[g].celsius))
            sensing->seen_ns[g] = round_ns;
    }
}

static void take_readings(struct hf_supervisor *s, int64_t now_ns)
{
    struct hf_sensing *sensing = s->sensing;
    int64_t age_ns = 0;
    int busy = 0;

    if (hf_sensor_reader_latest(sensing->reader, sensing->readings, &age_ns) > 0 &&
        now_ns - age_ns > sensing->round_ns + SAME_ROUND_NS)
        take_round(s, now_ns - age_ns);
    for (int g = 0; g < s->profile->group_count; g++) {
        struct hf_heat *heat = &sensing->heat[g];
        double blind_s = (double)(now_ns - sensing->seen_ns[g]) * 1e-9;

        if (blind_s > HF_SENSE_BLIND_S && !isnan(heat->celsius)) /* what was read last says nothing of now */
            *heat = (struct hf_heat){
                .celsius = (double)NAN, .excess_c = (double)NAN, .sensor = "", .reason = "the reads hang"};
        heat->blind_s = s->profile->temperature_unwatched ? 0 : blind_s;
        busy |= s->running[g];
    }
    hf_sensor_reader_load(sensing->reader, busy);
}

void hf_sensing_heat(const struct hf_supervisor *s, int group, struct hf_heat *ret_heat)
{
    *ret_heat = s->sensing->heat[group];
}

void hf_sensing_take_hottest(const struct hf_supervisor *s, int group, struct hf_hottest *hottest)
{
    const struct hf_sensing *sensing = s->sensing;

    for (int i = 0; sensing != NULL && i < hf_sensors_count(sensing->sensors); i++) {
        const struct hf_sensor *sensor = hf_sensors_at(sensing->sensors, i);
        const struct hf_reading *reading = &sensing->readings[i];
        struct hf_hottest *of_role = &hottest[sensor->role];

        if (!is_watched_for(sensor, group) || reading->trouble != HF_SENSOR_GOOD)
            continue;
        if (of_role->sensor == NULL || reading->value > of_role->celsius)
            *of_role = (struct hf_hottest){sensor->key, reading->value};
    }
}

double hf_sensing_joules(const struct hf_supervisor *s, int64_t *ret_ns)
{
    const struct hf_sensing *sensing = s->sensing;
    double joules = (double)NAN;

    *ret_ns = sensing != NULL ? sensing->round_ns : 0;
    for (int i = 0; sensing != NULL && i < hf_sensors_count(sensing->sensors); i++) {
        const struct hf_sensor *sensor = hf_sensors_at(sensing->sensors, i);

        if (sensor->kind != HF_SENSOR_ENERGY || sensor->role != HF_ROLE_PACKAGE)
            continue;
        if (sensing->readings[i].trouble != HF_SENSOR_GOOD)
            return (double)NAN; /* a sum without one of them would jump */
        joules = (isnan(joules) ? 0 : joules) + sensing->readings[i].value;
    }
    return joules;
}

double hf_sensing_watts(const struct hf_supervisor *s)
{
    const struct hf_sensing *sensing = s->sensing;
    double watts = (double)NAN;

    if (sensing == NULL)
        return watts;
    for (int i = 0; i < hf_sensors_count(sensing->sensors); i++) {
        const struct hf_sensor *sensor = hf_sensors_at(sensing->sensors, i);
        const struct hf_reading *reading = &sensing->readings[i];
        double own = sensor->kind == HF_SENSOR_ENERGY ? reading->watts : reading->value;

        if (sensor->role != HF_ROLE_PACKAGE || reading->trouble != HF_SENSOR_GOOD || isnan(own) ||
            (sensor->kind != HF_SENSOR_ENERGY && sensor->kind != HF_SENSOR_POWER))
            continue;
        watts = isnan(watts) ? own : watts + own;
    }
    return watts;
}

/* --- clocks ----------------------------------------------------------------------------------------------
 */

void hf_sensing_run_started(struct hf_supervisor *s, int group)
{
    for (int i = 0; s->sensing != NULL && i < s->pool->worker_count; i++) {
        struct core_samples *core = &s->sensing->core[i];

        if (s->pool->worker[i].place.group != group)
            continue;
        core->marked = core->count = 0;
        core->pause_ns = SAMPLE_EVERY_NS;
        core->next_ns = 0;
        core->chain_seen = atomic_load(&hf_worker_slot_of(&s->pool->worker[i])->chain_count);
    }
}

/* Invariant 2. */
static void keep_sample(struct core_samples *core, const struct hf_clock_sample *sample)
{
    if (core->count == SAMPLES_MAX) {
        for (int i = 0; i < SAMPLES_MAX / 2; i++)
            core->sample[i] = core->sample[2 * i + 1];
        core->count = SAMPLES_MAX / 2;
        core->pause_ns *= 2;
    }
    core->sample[core->count++] = *sample;
}

/* What the worker measured on its own core since it was asked; NAN when it has not yet. */
static double chain_mhz(struct core_samples *core, struct hf_worker_slot *slot)
{
    uint32_t count = atomic_load_explicit(&slot->chain_count, memory_order_acquire);

    if (count == core->chain_seen)
        return (double)NAN;
    core->chain_seen = count;
    return atomic_load(&slot->chain_mhz);
}

static void sample_core(struct hf_supervisor *s, int index, int64_t now_ns)
{
    struct core_samples *core = &s->sensing->core[index];
    struct hf_worker_slot *slot = hf_worker_slot_of(&s->pool->worker[index]);
    struct hf_clock_sample sample;

    core->next_ns = now_ns + core->pause_ns;
    hf_core_clock_sample(core->clock, &sample);
    if (hf_core_clock_method(core->clock) == HF_CLOCK_CHAIN) {
        sample.mhz = chain_mhz(core, slot);
        if (hf_clock_budget_take(&core->budget, now_ns, CHAIN_COST_NS, CHAIN_SHARE))
            atomic_store(&slot->chain_wanted, 1);
        if (isnan(sample.mhz))
            return;
    }
    if (core->marked)
        keep_sample(core, &sample);
    core->marked = 1;
}

static void sample_clocks(struct hf_supervisor *s, int64_t now_ns)
{
    for (int i = 0; i < s->pool->worker_count; i++) {
        const struct hf_worker *worker = &s->pool->worker[i];
        const struct hf_trial *trial;

        if (!s->running[worker->place.group] || !hf_supervisor_core_works(s, worker) ||
            now_ns < s->sensing->core[i].next_ns)
            continue;
        trial = hf_trial_of_group(s, worker->place.group);
        if (trial != NULL && trial->loaded)
            sample_core(s, i, now_ns);
    }
}

/* Worse: a shortfall before none, then the lower share of the clock asked for. */
static int is_worse(const struct hf_clock_judgement *judgement, double asked_mhz,
                    const struct hf_clock_verdict *than)
{
    int short_now = judgement->finding == HF_CLOCK_SHORTFALL;
    int short_then = than->cpu >= 0 && than->judgement.finding == HF_CLOCK_SHORTFALL;

    if (than->cpu < 0 || short_now != short_then)
        return than->cpu < 0 || short_now;
    return judgement->median_mhz / asked_mhz < than->judgement.median_mhz / than->asked_mhz;
}

int hf_sensing_clock(const struct hf_supervisor *s, const struct hf_trial *trial,
                     struct hf_clock_verdict *ret_verdict)
{
    *ret_verdict =
        (struct hf_clock_verdict){.cpu = -1, .unknown_cpu = -1, .judgement = {.finding = HF_CLOCK_UNDECIDED}};
    for (int i = 0; s->sensing != NULL && i < s->pool->worker_count; i++) {
        const struct hf_pool_place *place = &s->pool->worker[i].place;
        const struct core_samples *core = &s->sensing->core[i];
        struct hf_clock_judgement judgement;
        double asked_mhz;

        if (!hf_trial_covers(trial, place->group) || core->count == 0)
            continue;
        asked_mhz = hf_profile_mhz(s->profile, hf_trial_step_of(trial, place->group));
        hf_clock_judge(core->sample, core->count, asked_mhz, s->profile->clock_tolerance, &judgement);
        if (judgement.finding == HF_CLOCK_UNDECIDED && judgement.stolen > 0)
            ret_verdict->unknown_cpu = place->profile_cpu;
        if (isnan(judgement.median_mhz) || !is_worse(&judgement, asked_mhz, ret_verdict))
            continue;
        *ret_verdict = (struct hf_clock_verdict){.judgement = judgement,
                                                 .unknown_cpu = ret_verdict->unknown_cpu,
                                                 .group = place->group,
                                                 .cpu = place->profile_cpu,
                                                 .asked_mhz = asked_mhz,
                                                 .method = hf_core_clock_method(core->clock)};
    }
    return ret_verdict->judgement.finding == HF_CLOCK_SHORTFALL;
}

double hf_sensing_mean_mhz(const struct hf_supervisor *s, const struct hf_trial *trial)
{
    double sum = 0;
    int cores = 0;

    for (int i = 0; s->sensing != NULL && i < s->pool->worker_count; i++) {
        const struct core_samples *core = &s->sensing->core[i];
        struct hf_clock_judgement judgement;
        int group = s->pool->worker[i].place.group;

        if (!hf_trial_covers(trial, group) || core->count == 0)
            continue;
        hf_clock_judge(core->sample, core->count, hf_profile_mhz(s->profile, hf_trial_step_of(trial, group)),
                       s->profile->clock_tolerance, &judgement);
        if (isnan(judgement.median_mhz))
            continue;
        sum += judgement.median_mhz;
        cores++;
    }
    return cores > 0 ? sum / cores : (double)NAN;
}

static int open_clocks(struct hf_supervisor *s)
{
    struct hf_sensing *sensing = s->sensing;
    enum hf_clock_method method;

    const struct hf_clock_counters *counters =
        s->options->counters != NULL ? s->options->counters : &hf_clock_counters_real;

    if (hf_clock_source_open(sensing->host, counters, &sensing->source, &s->error) != HF_OK)
        return s->error.code;
    for (int i = 0; i < s->pool->worker_count; i++) {
        if (hf_core_clock_open(sensing->source, s->pool->worker[i].place.real_cpu, &sensing->core[i].clock,
                               &s->error) != HF_OK)
            return s->error.code;
    }
    method = hf_core_clock_method(sensing->core[0].clock);
    hf_supervisor_note(s, "true clock by %s: %s%s%s", hf_clock_method_name(method),
                       hf_clock_method_sentence(method),
                       hf_clock_source_reasons(sensing->source)[0] != '\0' ? "; " : "",
                       hf_clock_source_reasons(sensing->source));
    return HF_OK;
}

/* --- begin, tick, end ------------------------------------------------------------------------------------
 */

int hf_sensing_begin(struct hf_supervisor *s)
{
    struct hf_sensing *sensing;
    int64_t now_ns = hf_clock_monotonic_ns(&hf_clock_real);

    if (s->options->driver->is_simulated)
        return HF_OK;
    sensing = s->sensing = hf_allocate(1, sizeof *sensing);
    if (sensing == NULL)
        return hf_fail(&s->error, HF_E_MEMORY, "no memory for the sensors");
    sensing->host = s->host;
    sensing->core = hf_allocate((size_t)s->pool->worker_count, sizeof *sensing->core);
    if (sensing->core == NULL)
        return hf_fail(&s->error, HF_E_MEMORY, "no memory for the clocks of %d cores", s->pool->worker_count);
    for (int g = 0; g < s->profile->group_count; g++) {
        sensing->seen_ns[g] = now_ns;
        sensing->heat[g] =
            (struct hf_heat){.celsius = (double)NAN, .excess_c = (double)NAN, .sensor = "", .reason = ""};
    }
    if (open_sensors(s->profile, s->host, &sensing->sensors, &s->error) != HF_OK)
        return s->error.code;
    sensing->readings =
        hf_allocate((size_t)hf_sensors_count(sensing->sensors) + 1, sizeof *sensing->readings);
    if (sensing->readings == NULL)
        return hf_fail(&s->error, HF_E_MEMORY, "no memory for the readings of %d sensors",
                       hf_sensors_count(sensing->sensors));
    if (hf_sensor_reader_start(sensing->sensors, READ_EVERY_MS, &sensing->reader, &s->error) != HF_OK)
        return s->error.code;
    note_sensors(s);
    return open_clocks(s);
}

void hf_sensing_tick(struct hf_supervisor *s, int64_t now_ns)
{
    struct hf_sensing *sensing = s->sensing;

    if (sensing == NULL)
        return;
    if (now_ns >= sensing->next_take_ns) {
        sensing->next_take_ns = now_ns + TAKE_EVERY_NS;
        take_readings(s, now_ns);
    }
    sample_clocks(s, now_ns);
}

int hf_sensing_end(struct hf_supervisor *s)
{
    struct hf_sensing *sensing = s->sensing;
    struct hf_error error = {0};
    int stopped;

    if (sensing == NULL)
        return 1;
    s->sensing = NULL;
    for (int i = 0; sensing->core != NULL && i < s->pool->worker_count; i++)
        hf_core_clock_close(sensing->core[i].clock);
    hf_free(sensing->core);
    hf_clock_source_close(sensing->source);
    hf_free(sensing->readings);
    stopped = hf_sensor_reader_stop(sensing->reader, &error) == HF_OK;
    if (stopped)
        hf_sensors_free(sensing->sensors); /* else a thread that hangs in a read still has them */
    hf_free(sensing);
    return stopped;
}
