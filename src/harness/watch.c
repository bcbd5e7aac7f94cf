/*
 * Watching: results, progress, deaths, temperatures, clocks, settings, and the damage of a simulated machine.
 * Everything here ends in hf_trial_close() or in nothing.
 */
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "harness/supervisor_private.h"
#include "holdfast/reset.h"
#include "workloads/arena.h"

#define EARLY_DEATHS_MAX   3
#define COOL_BELOW_LIMIT_C 10.0 /* hysteresis of the temperature guard */
#define BLIND_LIMIT_S      60.0 /* without a temperature: the run ends */
#define SENSE_EVERY_NS     INT64_C(500000000)
#define CLOCK_EVERY_NS     INT64_C(10000000000)
#define CLOCK_PLENTY       12 /* samples after which a shortfall ends a trial before its time */

/* --- results ---------------------------------------------------------------------------------------- */

/* The open trial that a block belongs to; NULL when it was begun for an earlier one. */
static struct hf_trial *trial_of_block(struct hf_supervisor *s, const struct hf_worker *worker,
                                       const struct hf_block_record *record)
{
    int group = worker->place.group;

    return record->began_ticks >= s->run_ticks[group] ? hf_trial_of_group(s, group) : NULL;
}

static void count_block(void *context, const struct hf_worker *worker, const struct hf_slice *slice,
                        const struct hf_block_record *record)
{
    struct hf_supervisor *s = context;
    struct hf_trial *trial = trial_of_block(s, worker, record);

    if (trial == NULL || record->alone)
        return;
    s->watch[worker->index].blocks_in_trial++;
    if (!trial->loaded)
        return; /* before every worker of the trial has begun, nothing counts */
    trial->blocks++;
    hf_baseline_share(trial, slice)->blocks++;
}

static void write_company(const struct hf_supervisor *s, struct hf_json_writer *writer)
{
    hf_json_array_open(writer, "company");
    for (int g = 0; g < s->profile->group_count; g++) {
        const struct hf_trial *trial = s->joint.open ? &s->joint : &s->trial[g];

        if (!s->running[g] || !trial->open)
            continue;
        hf_json_object_open(writer, NULL);
        hf_json_integer(writer, "group", g);
        hf_json_integer(writer, "step", trial->group == HF_GROUP_ALL ? trial->joint_step[g] : trial->step);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
}

void hf_watch_write_slice(struct hf_json_writer *writer, const struct hf_slice *slice)
{
    const struct hf_kernel *kernel = hf_kernel_at(slice->kernel);

    hf_json_u64(writer, "slice", slice->number);
    hf_json_string(writer, "kernel", kernel->name);
    hf_json_integer(writer, "width", kernel->width_bits);
    hf_json_string(writer, "isa", kernel->isa);
    hf_json_string(writer, "operands", hf_operands_name((enum hf_operands)slice->operands));
    hf_json_string(writer, "pattern", hf_pattern_name((enum hf_pattern)slice->pattern));
    hf_json_string(writer, "sync", hf_sync_name((enum hf_sync)slice->sync));
    hf_json_hex64(writer, "slice_seed", slice->seed);
}

static void write_block(struct hf_json_writer *writer, const struct hf_finding *finding)
{
    const struct hf_block_record *record = &finding->record;

    hf_json_u64(writer, "block", record->block_index);
    hf_json_hex64(writer, "block_seed", record->block.seed);
    hf_json_u64(writer, "steps", record->block.steps);
    hf_json_u64(writer, "solo_steps", record->block.solo_steps);
    hf_json_integer(writer, "lane", record->lane.lane);
    hf_json_hex64(writer, "expected", record->lane.expected);
    hf_json_hex64(writer, "got", record->lane.got);
    hf_json_hex64(writer, "xor", record->lane.expected ^ record->lane.got);
    hf_json_hex64(writer, "digest_expected", finding->expected);
    hf_json_hex64(writer, "digest_got", record->block.digest);
    hf_json_integer(writer, "recomputed_on", finding->recomputed_on);
    hf_json_bool(writer, "agreed", finding->kind != HF_FINDING_CHECKER_DOUBTED);
    hf_json_number(writer, "phase_s",
                   (double)(record->began_ticks - record->epoch_ticks) / hf_ticks_per_second());
    if (finding->kind == HF_FINDING_WRONG_HANDOFF) {
        hf_json_integer(writer, "from_group", finding->blamed->place.group);
        hf_json_integer(writer, "from_cpu", finding->blamed->place.profile_cpu);
        hf_json_hex64(writer, "foreign", record->foreign);
    }
}

static int journal_mismatch(struct hf_supervisor *s, const struct hf_trial *trial,
                            const struct hf_finding *finding)
{
    const struct hf_worker *worker = finding->worker;
    struct hf_json_writer *writer = hf_run_begin_record(s->run, HF_RECORD_MISMATCH);
    struct hf_error error = {0};

    hf_json_u64(writer, "trial", trial != NULL ? trial->id : 0);
    hf_json_integer(writer, "group", worker->place.group);
    hf_json_integer(writer, "cpu", worker->place.profile_cpu);
    hf_json_integer(writer, "worker", worker->index);
    hf_watch_write_slice(writer, &finding->slice);
    write_block(writer, finding);
    write_company(s, writer);
    if (!isnan(hf_watch_celsius(s, worker->place.group)))
        hf_json_number(writer, "celsius", hf_watch_celsius(s, worker->place.group));
    if (s->options->driver->group_mhz != NULL)
        hf_json_number(writer, "mhz", s->options->driver->group_mhz(s->driver_state, worker->place.group));
    if (hf_run_end_record(s->run, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
    return error.code;
}

/* One sentence for a person. */
static void describe(const struct hf_finding *finding, char *ret_words, size_t size)
{
    const struct hf_kernel *kernel = hf_kernel_at(finding->slice.kernel);
    const struct hf_block_record *record = &finding->record;
    uint64_t wrong = record->lane.expected ^ record->lane.got;

    if (finding->kind == HF_FINDING_WRONG_HANDOFF)
        (void)snprintf(ret_words, size, "%s, wrong as received by CPU %d, bits 0x%llx", kernel->name,
                       finding->worker->place.profile_cpu, (unsigned long long)record->foreign);
    else if (record->lane.lane >= HF_LANE_ARENA)
        (void)snprintf(ret_words, size, "%s, word %d of its memory, xor 0x%llx", kernel->name,
                       record->lane.lane - HF_LANE_ARENA, (unsigned long long)wrong);
    else
        (void)snprintf(ret_words, size, "%s %d bit, %s, lane %d, xor 0x%llx", kernel->name,
                       kernel->width_bits, hf_pattern_name((enum hf_pattern)finding->slice.pattern),
                       record->lane.lane, (unsigned long long)wrong);
}

/* Who is judged: the worker; for a wrong handoff the one that handed over. */
static void act_on_finding(struct hf_supervisor *s, const struct hf_finding *finding)
{
    const struct hf_worker *blamed = finding->blamed;
    struct hf_trial *trial = trial_of_block(s, blamed, &finding->record);
    char detail[160];

    if (journal_mismatch(s, trial, finding) != HF_OK)
        return;
    if (finding->kind == HF_FINDING_CHECKER_DOUBTED) {
        hf_supervisor_say(s, "the supervisor's own core got an answer wrong; the worker is not blamed");
        return;
    }
    describe(finding, detail, sizeof detail);
    if (trial != NULL)
        hf_trial_close(s, trial, HF_VERDICT_FAIL, HF_CAUSE_WRONG_RESULT, blamed->place.group,
                       blamed->place.profile_cpu, detail);
    else
        hf_supervisor_say(s, "a late wrong result of CPU %d after its trial had ended: %s",
                          blamed->place.profile_cpu, detail);
}

static void judge_one(struct hf_supervisor *s, const struct hf_worker *worker)
{
    struct hf_finding finding;

    while (s->phase == HF_PHASE_RUNNING &&
           hf_judge_worker(&s->judge, worker, count_block, s, &finding) != HF_FINDING_NONE)
        act_on_finding(s, &finding);
}

void hf_watch_results(struct hf_supervisor *s)
{
    for (int i = 0; i < s->pool->worker_count; i++)
        judge_one(s, &s->pool->worker[i]);
}

/* --- progress --------------------------------------------------------------------------------------- */

void hf_watch_run_started(struct hf_supervisor *s, int group, int64_t now_ns)
{
    for (int i = 0; i < s->pool->worker_count; i++) {
        if (s->pool->worker[i].place.group != group)
            continue;
        s->watch[i].progress_ns = now_ns;
        s->watch[i].exposure_at_progress = 0;
        s->watch[i].blocks_in_trial = 0;
    }
    hf_sensing_run_started(s, group);
}

static double stall_limit_s(const struct hf_supervisor *s)
{
    double limit_s = 10 * HF_BLOCK_S * (double)s->sharing;

    return limit_s > HF_STALL_MIN_S ? limit_s : HF_STALL_MIN_S;
}

/* The worker stands still: its exposure ends where it last moved. */
static void stalled(struct hf_supervisor *s, struct hf_trial *trial, struct hf_worker *worker)
{
    char detail[96];

    if (s->watch[worker->index].exposure_at_progress >= trial->journalled_s)
        trial->exposure_s = s->watch[worker->index].exposure_at_progress;
    else
        trial->exposure_s = trial->journalled_s;
    (void)snprintf(detail, sizeof detail, "no progress for %.1f s", stall_limit_s(s));
    hf_pool_kill(worker);
    hf_trial_close(s, trial, HF_VERDICT_FAIL, HF_CAUSE_STALL, worker->place.group, worker->place.profile_cpu,
                   detail);
}

static void watch_worker(struct hf_supervisor *s, int index, int64_t now_ns)
{
    struct hf_worker *worker = &s->pool->worker[index];
    struct hf_watch *watch = &s->watch[index];
    const struct hf_worker_slot *slot = hf_worker_slot_of(worker);
    uint64_t progress = atomic_load_explicit(&slot->progress, memory_order_acquire);
    struct hf_trial *trial = hf_trial_of_group(s, worker->place.group);

    if (trial == NULL || !hf_supervisor_core_works(s, worker))
        return;
    if (progress != watch->progress) {
        watch->progress = progress;
        watch->progress_ns = now_ns;
        watch->exposure_at_progress = trial->exposure_s;
        return;
    }
    if (!s->running[worker->place.group] && atomic_load(&slot->state) != HF_STATE_RUNNING)
        return;
    if ((double)(now_ns - watch->progress_ns) * 1e-9 > stall_limit_s(s))
        stalled(s, trial, worker);
}

void hf_watch_progress(struct hf_supervisor *s, int64_t now_ns)
{
    for (int i = 0; i < s->pool->worker_count && s->phase == HF_PHASE_RUNNING; i++)
        watch_worker(s, i, now_ns);
}

/* --- deaths ----------------------------------------------------------------------------------------- */

/* 1 when the worker cannot work here at all and the run must end. */
static int cannot_work(struct hf_supervisor *s, const struct hf_worker *worker)
{
    const struct hf_worker_slot *slot = hf_worker_slot_of(worker);
    struct hf_watch *watch = &s->watch[worker->index];
    uint32_t state = atomic_load(&slot->state);
    struct hf_error error = {0};

    if (state == HF_STATE_REFUSED)
        (void)hf_fail(&error, HF_E_PERMISSION, "worker %d cannot work on CPU %d: %.150s", worker->index,
                      worker->place.real_cpu, slot->trouble);
    else if (state == HF_STATE_STARTING && ++watch->early_deaths >= EARLY_DEATHS_MAX)
        (void)hf_fail(&error, HF_E_MISSING, "worker %d died %d times before it could start on CPU %d",
                      worker->index, watch->early_deaths, worker->place.real_cpu);
    if (error.code == HF_OK)
        return 0;
    hf_supervisor_fail(s, &error);
    return 1;
}

void hf_watch_on_death(void *context, struct hf_worker *worker, int64_t exit_status, int signal_number)
{
    struct hf_supervisor *s = context;
    struct hf_trial *trial;
    struct hf_error error = {0};
    char detail[96];

    if (s->phase == HF_PHASE_ENDING || cannot_work(s, worker))
        return;
    judge_one(s, worker); /* what it posted before it died comes first */
    trial = hf_trial_of_group(s, worker->place.group);
    if (signal_number == SIGSYS)
        (void)snprintf(detail, sizeof detail, "signal %d: a system call that no kernel makes", SIGSYS);
    else if (signal_number != 0)
        (void)snprintf(detail, sizeof detail, "signal %d, %s", signal_number, strsignal(signal_number));
    else
        (void)snprintf(detail, sizeof detail, "it left with status %d", (int)exit_status);
    if (trial != NULL && !worker->killed && s->phase == HF_PHASE_RUNNING)
        hf_trial_close(s, trial, HF_VERDICT_FAIL, HF_CAUSE_WORKER_DIED, worker->place.group,
                       worker->place.profile_cpu, detail);
    s->watch[worker->index].progress = 0;
    if (s->phase != HF_PHASE_ENDING && hf_pool_respawn(s->pool, worker, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
}

/* --- the simulated machine's damage ------------------------------------------------------------------ */

static struct hf_worker *worker_at(const struct hf_supervisor *s, int group, int core)
{
    for (int i = 0; i < s->pool->worker_count; i++) {
        if (s->pool->worker[i].place.group == group && s->pool->worker[i].place.rank == core)
            return &s->pool->worker[i];
    }
    return NULL;
}

/* A reset leaves no time for words: the next boot id is made durable, and the process is gone. */
static void die_as_by_reset(struct hf_supervisor *s)
{
    struct hf_error error = {0};

    if (s->options->driver->reset(s->driver_state, &error) != HF_OK) {
        hf_supervisor_fail(s, &error);
        return;
    }
    hf_reset_here((unsigned long)s->options->driver->boot_count(s->driver_state));
    (void)kill(getpid(), SIGKILL);
}

static void corrected_error(struct hf_supervisor *s, const struct hf_worker *worker)
{
    struct hf_trial *trial = hf_trial_of_group(s, worker->place.group);

    if (trial != NULL)
        hf_trial_close(s, trial, HF_VERDICT_FAIL, HF_CAUSE_HARDWARE_ERROR, worker->place.group,
                       worker->place.profile_cpu, "a corrected error was reported");
}

static void do_damage(struct hf_supervisor *s, const struct hf_rig_fault *fault)
{
    static const enum hf_strike_kind strikes[] = {[HF_DAMAGE_WRONG_RESULT] = HF_STRIKE_FLIP,
                                                  [HF_DAMAGE_WORKER_DIED] = HF_STRIKE_CRASH,
                                                  [HF_DAMAGE_HANG] = HF_STRIKE_HANG};
    struct hf_worker *worker = worker_at(s, fault->group, fault->core);

    if (fault->kind == HF_DAMAGE_RESET)
        die_as_by_reset(s);
    else if (worker == NULL || fault->kind == HF_DAMAGE_NONE)
        return;
    else if (fault->kind == HF_DAMAGE_CORRECTED)
        corrected_error(s, worker);
    else if (s->running[fault->group] && !hf_pool_strike_pending(s->pool, fault->group))
        hf_strike_request(hf_worker_slot_of(worker), worker->pid, strikes[fault->kind]);
}

/* --- temperatures and clocks ------------------------------------------------------------------------ */

static void heat_of(const struct hf_supervisor *s, int group, struct hf_heat *ret_heat)
{
    const struct hf_driver_ops *driver = s->options->driver;
    double celsius =
        driver->group_celsius != NULL ? driver->group_celsius(s->driver_state, group) : (double)NAN;

    if (s->sensing != NULL) {
        hf_sensing_heat(s, group, ret_heat);
        return;
    }
    *ret_heat = (struct hf_heat){.celsius = celsius,
                                 .excess_c = celsius - s->profile->temperature_limit_c,
                                 .limit_c = s->profile->temperature_limit_c,
                                 .sensor = "",
                                 .reason = ""};
}

double hf_watch_celsius(const struct hf_supervisor *s, int group)
{
    struct hf_heat heat;

    heat_of(s, group, &heat);
    return heat.celsius;
}

/* A hot machine cools in minutes at most; one whose sensors do not come back ends the run. */
static void give_up_blind(struct hf_supervisor *s, int group, const struct hf_heat *heat)
{
    struct hf_error error = {0};

    (void)hf_fail(&error, HF_E_MISSING,
                  "no temperature of %s could be read for %.0f s (%s): a real machine is not loaded blind. "
                  "holdfast survey "
                  "shows the sensors",
                  hf_supervisor_group_name(s, group), heat->blind_s, heat->reason);
    hf_supervisor_fail(s, &error);
}

int hf_watch_is_cooling(struct hf_supervisor *s, int group)
{
    struct hf_heat heat;

    heat_of(s, group, &heat);
    if (heat.blind_s > BLIND_LIMIT_S)
        give_up_blind(s, group, &heat);
    if (heat.blind_s > HF_SENSE_BLIND_S)
        return 1;
    if (!s->cooling[group])
        return s->sensing != NULL && heat.excess_c >= 0; /* warm already, before any load of ours */
    if (heat.excess_c > -COOL_BELOW_LIMIT_C)
        return 1;
    s->cooling[group] = 0;
    hf_supervisor_say(s, "%s has cooled", hf_supervisor_group_name(s, group));
    return 0;
}

static void take_energy(const struct hf_supervisor *s, struct hf_trial *trial)
{
    int64_t read_ns;
    double joules = hf_sensing_joules(s, &read_ns);

    if (isnan(joules))
        return;
    if (trial->joules_from_ns == 0) {
        trial->joules_from = joules;
        trial->joules_from_ns = read_ns;
    }
    trial->joules_to = joules;
    trial->joules_to_ns = read_ns;
}

static void add_to_means(struct hf_supervisor *s, struct hf_trial *trial, int group, double celsius)
{
    double watts = hf_sensing_watts(s);

    if (!isnan(watts)) {
        trial->watts_sum += watts;
        trial->watts_highest = trial->watts_samples == 0 ? watts : fmax(trial->watts_highest, watts);
        trial->watts_samples++;
    }
    take_energy(s, trial);
    hf_sensing_take_hottest(s, group, trial->hottest);
    if (isnan(celsius))
        return;
    trial->celsius_sum += celsius;
    if (trial->samples == 0 || celsius > trial->celsius_highest)
        trial->celsius_highest = celsius;
    trial->samples++;
    if (s->options->driver->group_mhz != NULL) {
        trial->mhz_sum += s->options->driver->group_mhz(s->driver_state, group);
        trial->mhz_asked_sum += hf_profile_mhz(s->profile, hf_trial_step_of(trial, group));
    }
}

/* The heat is nobody's ratio: void, and tried again when it has cooled. */
static int guard_heat(struct hf_supervisor *s, struct hf_trial *trial, int group, const struct hf_heat *heat)
{
    char detail[256];

    if (heat->blind_s > HF_SENSE_BLIND_S) {
        (void)snprintf(detail, sizeof detail, "no temperature of %s could be read for %.0f s: %s",
                       hf_supervisor_group_name(s, group), heat->blind_s, heat->reason);
        hf_trial_close(s, trial, HF_VERDICT_VOID, HF_CAUSE_INTERRUPTED, HF_GROUP_NONE, -1, detail);
        return 0;
    }
    if (isnan(heat->excess_c) || heat->excess_c < 0)
        return 1;
    s->cooling[group] = 1;
    (void)snprintf(detail, sizeof detail, "%s reached %.0f degC%s%s", hf_supervisor_group_name(s, group),
                   heat->limit_c + heat->excess_c, heat->sensor[0] != '\0' ? " at " : "", heat->sensor);
    hf_trial_close(s, trial, HF_VERDICT_VOID, HF_CAUSE_OVER_TEMPERATURE, HF_GROUP_NONE, -1, detail);
    return 0;
}

/* A simulated machine tells its clock at any moment; a real one's is judged by the median of its samples. */
static void guard_simulated_clock(struct hf_supervisor *s, struct hf_trial *trial, int group)
{
    double asked = hf_profile_mhz(s->profile, hf_trial_step_of(trial, group));
    double mhz = s->options->driver->group_mhz(s->driver_state, group);
    char detail[96];

    if (mhz >= asked * (1 - s->profile->clock_tolerance))
        return;
    (void)snprintf(detail, sizeof detail, "%s ran at %.0f MHz instead of %.0f",
                   hf_supervisor_group_name(s, group), mhz, asked);
    hf_trial_close(s, trial, HF_VERDICT_VOID, HF_CAUSE_CLOCK_SHORTFALL, HF_GROUP_NONE, -1, detail);
}

/* Faster than asked proves no less, but a setting that reads back well is not what the core obeys. */
static void say_if_too_fast(struct hf_supervisor *s, const struct hf_trial *trial,
                            const struct hf_clock_verdict *worst)
{
    if (worst->cpu >= 0 && worst->judgement.finding == HF_CLOCK_HELD &&
        worst->judgement.median_mhz > worst->asked_mhz * (1 + s->profile->clock_tolerance))
        hf_supervisor_note(
            s,
            "trial %llu: even the slowest core, CPU %d, ran at %.0f MHz, more than the %.0f asked for: the "
            "setting is not what the cores obey",
            (unsigned long long)trial->id, worst->cpu, worst->judgement.median_mhz, worst->asked_mhz);
}

/* A virtual machine that waits for its host looks like a stretched clock, and is none. */
static void say_if_unknown(struct hf_supervisor *s, const struct hf_trial *trial,
                           const struct hf_clock_verdict *worst)
{
    if (worst->unknown_cpu >= 0)
        hf_supervisor_note(s,
                           "trial %llu: the clock of CPU %d cannot be told: the hypervisor takes too much of "
                           "the time. That the ratio was reached rests on the setting that was read back",
                           (unsigned long long)trial->id, worst->unknown_cpu);
}

int hf_watch_clock_fell_short(struct hf_supervisor *s, struct hf_trial *trial)
{
    struct hf_clock_verdict worst;
    char detail[256];

    if (!hf_sensing_clock(s, trial, &worst)) {
        say_if_too_fast(s, trial, &worst);
        say_if_unknown(s, trial, &worst);
        return 0;
    }
    (void)snprintf(detail, sizeof detail, "CPU %d ran at %.0f MHz (median of %d) instead of %.0f, by %s: %s",
                   worst.cpu, worst.judgement.median_mhz, worst.judgement.believed, worst.asked_mhz,
                   hf_clock_method_name(worst.method), worst.judgement.why);
    hf_trial_close(s, trial, HF_VERDICT_VOID, HF_CAUSE_CLOCK_SHORTFALL, HF_GROUP_NONE, -1, detail);
    return 1;
}

/* Before a long trial's end, when the samples are plenty: time at a clock that is not reached proves nothing.
 */
static void guard_real_clocks(struct hf_supervisor *s, int64_t now_ns)
{
    if (now_ns - s->clock_judged_ns < CLOCK_EVERY_NS)
        return;
    s->clock_judged_ns = now_ns;
    for (int g = -1; g < s->profile->group_count && s->phase == HF_PHASE_RUNNING; g++) {
        struct hf_trial *trial = g < 0 ? &s->joint : &s->trial[g];
        struct hf_clock_verdict worst;

        if (trial->open && trial->loaded && !trial->draining && hf_sensing_clock(s, trial, &worst) &&
            worst.judgement.believed >= CLOCK_PLENTY)
            (void)hf_watch_clock_fell_short(s, trial);
    }
}

static void guard_group(struct hf_supervisor *s, int group, int adds)
{
    struct hf_trial *trial = hf_trial_of_group(s, group);
    struct hf_heat heat;

    if (trial == NULL || !s->running[group])
        return;
    heat_of(s, group, &heat);
    if (adds)
        add_to_means(s, trial, group, heat.celsius);
    if (guard_heat(s, trial, group, &heat) && s->options->driver->group_mhz != NULL)
        guard_simulated_clock(s, trial, group);
}

static void do_all_damage(struct hf_supervisor *s, double run_s)
{
    struct hf_rig_fault damage[HF_DRIVER_DAMAGE_MAX];
    int count = s->options->driver->poll(s->driver_state, run_s, damage);

    for (int i = 0; i < count && s->phase == HF_PHASE_RUNNING; i++)
        do_damage(s, &damage[i]);
}

void hf_watch_machine(struct hf_supervisor *s, double run_s)
{
    int64_t now_ns = s->last_tick_ns;
    int adds = s->sensing == NULL || now_ns - s->sensed_ns >= SENSE_EVERY_NS;

    if (s->options->driver->poll != NULL)
        do_all_damage(s, run_s);
    if (s->options->driver->group_celsius == NULL && s->sensing == NULL)
        return;
    if (adds)
        s->sensed_ns = now_ns;
    for (int g = 0; g < s->profile->group_count && s->phase == HF_PHASE_RUNNING; g++)
        guard_group(s, g, adds);
    if (s->sensing != NULL && s->phase == HF_PHASE_RUNNING)
        guard_real_clocks(s, now_ns);
}
