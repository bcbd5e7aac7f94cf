#include "cli/dry_run.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "cli/options.h"
#include "harness/fitness.h"
#include "holdfast/driver.h"
#include "holdfast/kernel_settings.h"

struct dry_run {
    struct hf_profile *profile;
    struct hf_host host;
    const struct hf_driver_ops *driver;
    struct hf_driver_group group[HF_GROUPS_MAX];
    struct hf_driver_config config;
    void *state;
};

static void want(const struct hf_profile *profile, int highest, int16_t *ret_wanted)
{
    memset(ret_wanted, 0xff, HF_GROUPS_MAX * sizeof *ret_wanted);
    for (int g = 0; g < profile->group_count; g++) {
        if (!profile->group[g].left_out)
            ret_wanted[g] =
                (int16_t)(highest ? profile->group[g].highest_step : profile->group[g].baseline_step);
    }
}

static int describe(const struct dry_run *dry, const int16_t *wanted, struct hf_text *lines,
                    struct hf_error *error)
{
    enum hf_apply_result result;

    if (dry->driver->describe != NULL)
        return dry->driver->describe(dry->state, wanted, lines, error);
    if (dry->driver->is_simulated) {
        hf_text_add_string(lines, "nothing: the driver rig moves a simulated processor\n");
        return HF_OK;
    }
    return dry->driver->apply(dry->state, wanted, &result, lines,
                              error); /* sheet: a page, and nothing else */
}

static int show(const struct dry_run *dry, int highest, struct hf_error *error)
{
    int16_t wanted[HF_GROUPS_MAX];
    struct hf_text lines;

    want(dry->profile, highest, wanted);
    hf_text_init(&lines, 1 << 22);
    if (describe(dry, wanted, &lines, error) == HF_OK)
        printf("--- every group to its %s\n%s", highest ? "highest ratio" : "baseline",
               lines.size > 0 ? lines.bytes : "nothing: it is in force already\n");
    hf_text_release(&lines);
    return error->code;
}

/* The settings of the kernel that a night changes besides (guardian.h); those that are not there cannot be.
 */
static void show_kernel(const struct dry_run *dry)
{
    struct hf_kernel_setting settings[HF_KERNEL_SETTINGS];

    hf_kernel_settings_survey(&dry->host, settings);
    printf("--- while the search runs, so that a hang ends in a reset\n");
    for (int i = 0; i < HF_KERNEL_SETTINGS; i++) {
        const struct hf_kernel_setting *setting = &settings[i];

        if (setting->trouble == 0 && !setting->satisfied)
            printf("write %-9" PRId64 " to %s (now %" PRId64 "): %s\n", setting->wanted, setting->file,
                   setting->found, setting->reason);
    }
}

static int open_driver(struct dry_run *dry, struct hf_error *error)
{
    dry->driver = hf_driver_find(dry->profile->driver);
    if (dry->driver == NULL)
        return hf_fail(error, HF_E_RANGE, "there is no setting driver \"%s\"", dry->profile->driver);
    hf_fitness_driver_config(dry->profile, &dry->host, dry->group, &dry->config);
    if (dry->driver->is_simulated)
        return HF_OK;
    return dry->driver->open(&dry->config, &dry->state, error);
}

int hf_dry_run(const char *profile_path, const char *root)
{
    struct dry_run *dry = hf_allocate(1, sizeof *dry);
    struct hf_error error = {0};

    if (dry == NULL)
        (void)hf_fail(&error, HF_E_MEMORY, "no memory for the dry run");
    else if (profile_path == NULL)
        (void)hf_fail(&error, HF_E_USAGE, "--dry-run needs --profile FILE");
    else if (hf_profile_read(profile_path, &dry->profile, &error) == HF_OK &&
             hf_host_open(root, &dry->host, &error) == HF_OK && open_driver(dry, &error) == HF_OK) {
        printf("%s by the driver %s, which %s.\nNothing is written now.\n", dry->profile->name,
               dry->driver->name, dry->driver->sentence);
        if (show(dry, 0, &error) == HF_OK && show(dry, 1, &error) == HF_OK && !dry->driver->is_simulated)
            show_kernel(dry);
    }
    if (dry != NULL) {
        if (dry->state != NULL)
            dry->driver->close(dry->state);
        hf_host_close(&dry->host);
        hf_profile_free(dry->profile);
        hf_free(dry);
    }
    return error.code == HF_OK ? hf_command_end("search", 0) : hf_command_fail("search", &error);
}

int hf_dry_run_refuse_root(const char *root)
{
    struct hf_error error = {0};

    (void)hf_fail(
        &error, HF_E_REFUSED,
        "--root %.200s is another machine, recorded: a search would load and set this one. With --dry-run it "
        "shows what would be written there",
        root);
    return hf_command_fail("search", &error);
}
