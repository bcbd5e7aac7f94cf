/* Which kernel settings the night wants, against scripted files. */
#include "scripted_host.h"

#include "holdfast/kernel_settings.h"

static const struct hf_kernel_setting *find(const struct hf_kernel_setting *settings, const char *name)
{
    for (int i = 0; i < HF_KERNEL_SETTINGS; i++) {
        if (strcmp(strrchr(settings[i].file, '/') + 1, name) == 0)
            return &settings[i];
    }
    fail_msg("no setting %s", name);
    return NULL;
}

static void test_survey(void **unused)
{
    struct hf_kernel_setting settings[HF_KERNEL_SETTINGS];
    struct hf_host host;
    struct script *script = script_new(&host);

    (void)unused;
    script_number(script, "/proc/sys/kernel/panic", 0);
    script_number(script, "/proc/sys/kernel/panic_on_oops", 1);
    script_number(script, "/proc/sys/kernel/softlockup_panic", 0);
    script_set(script, "/proc/sys/kernel/hung_task_panic", "what?\n");
    hf_kernel_settings_survey(&host, settings);
    assert_false(find(settings, "panic")->satisfied);
    assert_int_equal(find(settings, "panic")->wanted, 10);
    assert_true(find(settings, "panic_on_oops")->satisfied);
    assert_false(find(settings, "softlockup_panic")->satisfied);
    assert_int_equal(find(settings, "softlockup_panic")->trouble, 0);
    assert_int_equal(find(settings, "hardlockup_panic")->trouble, -ENOENT); /* not in this kernel */
    assert_false(find(settings, "hardlockup_panic")->satisfied);
    assert_int_equal(find(settings, "hung_task_panic")->trouble, -EBADMSG);
    for (int i = 0; i < HF_KERNEL_SETTINGS; i++)
        assert_true(strlen(settings[i].reason) > 0);
    free(script);
}

/* A machine that resets after a panic already, whatever the time, or at once, is left as it is. */
static void test_panic_time(void **unused)
{
    static const long long times[] = {1, 60, -1};
    struct hf_kernel_setting settings[HF_KERNEL_SETTINGS];
    struct hf_host host;
    struct script *script = script_new(&host);

    (void)unused;
    for (size_t i = 0; i < sizeof times / sizeof times[0]; i++) {
        script_number(script, "/proc/sys/kernel/panic", times[i]);
        hf_kernel_settings_survey(&host, settings);
        assert_true(find(settings, "panic")->satisfied);
        assert_int_equal(find(settings, "panic")->found, times[i]);
    }
    free(script);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_survey), cmocka_unit_test(test_panic_time)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
