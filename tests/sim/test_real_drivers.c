/*
 * Real drivers under the supervisor, on a machine that is a folder (folder_machine.h).
 */
#include "sim/folder_machine.h"

/* --- what is tried ---------------------------------------------------------------------------------------
 */

static void try_cpufreq(void)
{
    const struct session session = {
        .driver = &hf_driver_cpufreq, .groups = 1, .limit_s = 1, .wall_limit_s = 20, .boot_id = "boot-1"};
    const char *written, *begun;

    calm_world();
    run(&session);
    expect("cpufreq: a trial passes", outcome.code == HF_OK && passed_from(0));
    written = strstr(outcome.journal, "\"type\":\"written\"");
    begun = strstr(outcome.journal, "\"type\":\"trial-begin\"");
    expect("the intent stands in the journal before the old values, those before the setting",
           begun != NULL && written != NULL && begun < written &&
               strstr(outcome.journal, "\"type\":\"setting\"") > written);
    expect("the old values are there", says("\"old\":\"" MIN_KHZ "\",\"new\":\"3200000\"") &&
                                           says("\"old\":\"" MAX_KHZ "\",\"new\":\"3200000\""));
    expect("and in force again at the end", holds(CPUS "/cpufreq/policy%d/scaling_min_freq", 0, MIN_KHZ) &&
                                                holds(CPUS "/cpufreq/policy%d/scaling_max_freq", 0, MAX_KHZ));
    expect("the verdict tells the temperature", says("\"celsius_highest\":75"));
}

static void try_heat(void)
{
    const struct session session = {
        .driver = &hf_driver_cpufreq, .groups = 1, .limit_s = 2, .wall_limit_s = 20, .boot_id = "boot-1"};

    calm_world();
    world.hot_celsius = 90;
    run(&session);
    expect("at the sensor's limit the load stops, and the ratio is not blamed",
           first_is(HF_VERDICT_VOID, HF_CAUSE_OVER_TEMPERATURE));
    expect("the sensor is named", says("g0 reached 90 degC at coretemp@"));
    expect("it is tried again only when it has cooled, and passes",
           seen.begins >= 2 && seen.begin_s[1] - seen.verdict_s[0] > 1 && passed_from(1));
    calm_world();
    world.hot_celsius = 89.9;
    run(&session);
    expect("just below the limit nothing happens", passed_from(0));
}

static void try_sensor_that_goes(void)
{
    const struct session session = {
        .driver = &hf_driver_cpufreq, .groups = 1, .limit_s = 60, .wall_limit_s = 9, .boot_id = "boot-1"};

    calm_world();
    world.sensor_goes = 1;
    run(&session);
    expect("a sensor that disappears stops the load after 5 s",
           first_is(HF_VERDICT_VOID, HF_CAUSE_INTERRUPTED) &&
               says("no temperature of g0 could be read for 5 s"));
    expect("and no load begins without it", seen.begins == 1);
}

static void try_clock(void)
{
    struct session session = {
        .driver = &hf_driver_cpufreq, .groups = 1, .limit_s = 6, .wall_limit_s = 20, .boot_id = "boot-1"};

    calm_world();
    world.mhz = 100 * BASELINE * 0.9915;
    session.wall_limit_s = 9; /* it would be tried again and again */
    run(&session);
    session.wall_limit_s = 20;
    expect("a clock 0.85 % short makes a served trial void",
           first_is(HF_VERDICT_VOID, HF_CAUSE_CLOCK_SHORTFALL));
    expect("the core and the method are named",
           says("\"method\":\"counters-acpi\"") && says("instead of 3200"));
    calm_world();
    world.mhz = 100 * BASELINE * 0.9945;
    run(&session);
    expect("0.55 % short does not", passed_from(0));
    expect("and the clock stands in the verdict", says("\"mhz_measured\":318"));
}

static void try_meddler(void)
{
    const struct session session = {
        .driver = &hf_driver_cpufreq, .groups = 1, .limit_s = 1, .wall_limit_s = 20, .boot_id = "boot-1"};

    calm_world();
    world.revert_khz = 4600000;
    run(&session);
    expect("a setting that something else keeps changing ends the run",
           outcome.code == HF_E_REFUSED &&
               strstr(outcome.message, "something else keeps changing it") != NULL);
    expect("after three void trials, none of which blames the ratio",
           seen.verdicts >= 3 && seen.cause[seen.verdicts - 1] == HF_CAUSE_SETTING_LOST);
    expect("and everything is as it was", holds(CPUS "/cpufreq/policy%d/scaling_min_freq", 0, MIN_KHZ) &&
                                              holds(CPUS "/cpufreq/policy%d/scaling_max_freq", 0, MAX_KHZ));
}

/* A session that is killed under load; what it left is put back by the next session of the same boot only. */
static void try_kill(const char *next_boot, const char *min_after, const char *max_after)
{
    struct session session = {
        .driver = &hf_driver_cpufreq, .groups = 1, .limit_s = 30, .wall_limit_s = 30, .boot_id = "boot-1"};
    char directory[256];
    pid_t child;
    int status;

    calm_world();
    scripted_directory(directory, sizeof directory, "killed");
    session.directory = directory;
    outcome.journal[0] = '\0';
    child = fork();
    if (child == 0) {
        run(&session);
        _exit(0);
    }
    for (int i = 0; i < 200 && strstr(outcome.journal, "\"type\":\"trial-loaded\"") == NULL; i++) {
        static const struct timespec nap = {0, 50000000};

        (void)nanosleep(&nap, NULL);
        read_journal(directory);
    }
    (void)kill(child, SIGKILL);
    (void)waitpid(child, &status, 0);
    expect("a killed session leaves its setting behind",
           holds(CPUS "/cpufreq/policy%d/scaling_max_freq", 0, "3200000"));
    if (strcmp(next_boot, "boot-1") != 0)
        build_machine(); /* a boot has put the defaults in force */
    put_cpu(CPUS "/cpufreq/policy%d/scaling_max_freq", 0,
            strcmp(next_boot, "boot-1") != 0 ? "4000000\n" : "3200000\n");
    session.boot_id = next_boot;
    session.limit_s = 1;
    session.wall_limit_s = 1;
    run(&session);
    expect(strcmp(next_boot, "boot-1") == 0 ? "the next one in the same boot puts everything back"
                                            : "after another boot the old values are none of its business",
           holds(CPUS "/cpufreq/policy%d/scaling_min_freq", 0, min_after) &&
               holds(CPUS "/cpufreq/policy%d/scaling_max_freq", 0, max_after));
    scripted_remove(directory);
}

/* The program fails to apply a ratio to g1, but its baseline works. */
static void try_command(int leaves_out)
{
    static char extra[1024];
    const struct session session = {.driver = &hf_driver_command,
                                    .extra = extra,
                                    .groups = 2,
                                    .steps_up = 1,
                                    .limit_s = 1,
                                    .wall_limit_s = 20,
                                    .boot_id = "boot-1"};
    char script[700];
    char path[128];

    calm_world();
    world.mhz = 3225;
    (void)snprintf(script, sizeof script,
                   "#!/bin/sh\nquestion=$(cat)\ncase $question in *apply*g1*) echo the bus is asleep >&2; "
                   "exit 3;; esac\n"
                   "echo \"$question\" | exec %s/profiles/command-driver.sh %s/board\n",
                   HOLDFAST_SOURCE_DIR, root);
    (void)put("program", script);
    path_of(path, sizeof path, "program");
    (void)chmod(path, 0755);
    (void)snprintf(extra, sizeof extra,
                   ",\"driver_failure\":\"%s\",\"command\":{\"program\":[\"%s\"],\"limit_s\":5}",
                   leaves_out ? "leave-out" : "stop", path);
    run(&session);
    expect("command: what it says on standard error is kept", says("command says: the bus is asleep"));
    if (!leaves_out) {
        expect("a group that cannot be set ends the run", outcome.code == HF_E_MISSING);
        expect("and its fault is named", strstr(outcome.message, "group g1: ") != NULL &&
                                             strstr(outcome.message, "left with status 3") != NULL);
    } else {
        expect("or the run goes on without it", outcome.code == HF_OK && outcome.end == HF_END_INTERRUPTED &&
                                                    strstr(outcome.words, "without g1") != NULL);
        expect("the other group has passed",
               says("\"verdict\":\"pass\"") && says("the run goes on without g1"));
        expect("and the group is back at its baseline", says("g1 is back at its baseline"));
    }
    expect("both groups are at their baseline at the end",
           holds("board/g0", 0, "32") && holds("board/g1", 0, "32"));
}

int main(int argc, char **argv)
{
    if (folder_machine_main(argc, argv) != 0)
        return 1;
    try_cpufreq();
    try_heat();
    try_sensor_that_goes();
    try_clock();
    try_meddler();
    try_kill("boot-1", MIN_KHZ, MAX_KHZ);
    try_kill("boot-2", MIN_KHZ, "4000000");
    if (allowed_count >= 2) {
        try_command(0);
        try_command(1);
    } else {
        puts("command: not tried, this machine has one CPU");
    }
    return folder_machine_end();
}
