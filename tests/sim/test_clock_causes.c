/*
 * Why a clock is not what was asked for, told apart under the supervisor, on a machine that is a folder with
 * scripted counters: a stretched clock, throttling for heat or power, and a hypervisor that takes time, which
 * is no short clock at all. What meters tell stands in the verdict.
 */
#include "sim/folder_machine.h"

#define SHORT 0.97 /* of the clock asked for */

/* A void trial is tried again until the session's time is over; one that passes ends it, sooner or later. */
static const struct session to_void = {
    .driver = &hf_driver_cpufreq, .groups = 1, .limit_s = 6, .wall_limit_s = 16, .boot_id = "boot-1"};
static const struct session to_pass = {
    .driver = &hf_driver_cpufreq, .groups = 1, .limit_s = 6, .wall_limit_s = 30, .boot_id = "boot-1"};

static void try_stretched(void)
{
    calm_world();
    world.mhz = 100 * BASELINE * SHORT;
    run(&to_void);
    expect("a short clock without throttling is called stretched or held back, and the trial is void",
           first_is(HF_VERDICT_VOID, HF_CAUSE_CLOCK_SHORTFALL) &&
               says("by counters-acpi: the clock was stretched or held back by the firmware"));
    expect("the verdict says that nothing was throttled", says("\"throttled\":false"));
}

static void try_throttled(void)
{
    calm_world();
    world.mhz = 100 * BASELINE * SHORT;
    world.throttles_a_s = 3;
    run(&to_void);
    expect("the kernel's throttle counters make it one that heat or power held back",
           first_is(HF_VERDICT_VOID, HF_CAUSE_CLOCK_SHORTFALL) &&
               says("by counters-acpi: the clock was throttled for heat or power") &&
               says("\"throttled\":true"));
    calm_world();
    world.throttles_a_s = 3;
    run(&to_pass);
    expect("throttling that costs no clock costs no trial", passed_from(0));
}

/* A counter of cycles over wall time: what is stolen looks like a slow clock. */
static void try_stolen(void)
{
    calm_world();
    world.counts_cycles = 1;
    build_machine();
    world.mhz = 100 * BASELINE * SHORT;
    run(&to_void);
    expect("by a cycle counter a short clock is found as well",
           first_is(HF_VERDICT_VOID, HF_CAUSE_CLOCK_SHORTFALL) && says("instead of 3200, by cycles: "));
    calm_world();
    world.counts_cycles = 1;
    build_machine();
    world.mhz = 100 * BASELINE * SHORT;
    world.stolen_share = 1 - SHORT;
    run(&to_pass);
    expect("while the hypervisor takes that time it is not called short", passed_from(0));
    expect("but that the clock cannot be told is",
           says("cannot be told: the hypervisor takes too much of the time"));
    calm_world();
    world.counts_cycles = 1;
    build_machine();
    world.stolen_share = 0.005;
    run(&to_pass);
    expect("half a percent stolen does not hide the clock",
           passed_from(0) && says("\"method\":\"cycles\"") && !says("cannot be told"));
}

static void try_meters(void)
{
    double mean = 0;
    const char *at;

    calm_world();
    run(&to_pass);
    at = strstr(outcome.journal, "\"watts_mean\":");
    if (at != NULL)
        mean = atof(at + strlen("\"watts_mean\":"));
    printf("mean power %.1f W\n", mean);
    expect("the package's power, by an energy counter that wraps, stands in the verdict",
           passed_from(0) && fabs(mean - 120) < 12 && says("\"watts_highest\":"));
    expect("and the hottest sensor of its role by name",
           says("\"hottest\":[{\"role\":\"package\",\"sensor\":\"coretemp@") && says("\"celsius\":75"));
}

int main(int argc, char **argv)
{
    if (folder_machine_main(argc, argv) != 0)
        return 1;
    try_stretched();
    try_throttled();
    try_stolen();
    try_meters();
    return folder_machine_end();
}
