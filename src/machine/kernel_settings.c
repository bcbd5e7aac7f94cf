#include "holdfast/kernel_settings.h"

#define KERNEL "/proc/sys/kernel/"

static const struct hf_kernel_setting wishes[HF_KERNEL_SETTINGS] = {
    {.file = KERNEL "panic", .wanted = 10, .reason = "reset 10 s after a panic; 0 would wait for a person"},
    {.file = KERNEL "panic_on_oops", .wanted = 1, .reason = "a damaged kernel must not work on"},
    {.file = KERNEL "softlockup_panic",
     .wanted = 1,
     .reason = "a CPU that no longer schedules must end in a reset"},
    {.file = KERNEL "hardlockup_panic",
     .wanted = 1,
     .reason = "a CPU that takes no interrupts must end in a reset"},
    {.file = KERNEL "hung_task_panic",
     .wanted = 1,
     .reason = "a task stuck in the kernel must end in a reset"},
    {.file = KERNEL "unknown_nmi_panic",
     .wanted = 1,
     .reason = "unexplained interrupts are how boards report errors"},
    {.file = KERNEL "panic_on_unrecovered_nmi",
     .wanted = 1,
     .reason = "a memory or bus error must not be worked over"},
};

/* panic: any time but 0 will do; negative means at once. It is the first of the list. */
static int satisfied(const struct hf_kernel_setting *setting, int is_panic)
{
    return is_panic ? setting->found != 0 : setting->found == setting->wanted;
}

void hf_kernel_settings_survey(const struct hf_host *host,
                               struct hf_kernel_setting ret_settings[HF_KERNEL_SETTINGS])
{
    for (int i = 0; i < HF_KERNEL_SETTINGS; i++) {
        struct hf_kernel_setting *setting = &ret_settings[i];
        int result;

        *setting = wishes[i];
        result = hf_host_integer(host, setting->file, &setting->found);
        setting->trouble = result < 0 ? result : 0;
        setting->satisfied = setting->trouble == 0 && satisfied(setting, i == 0);
    }
}
