/* What the drivers share, and the drivers themselves. */
#ifndef HOLDFAST_DRIVERS_DRIVERS_H
#define HOLDFAST_DRIVERS_DRIVERS_H

#include "holdfast/driver.h"

extern const struct hf_driver_ops hf_driver_rig;
extern const struct hf_driver_ops hf_driver_cpufreq;
extern const struct hf_driver_ops hf_driver_command;
extern const struct hf_driver_ops hf_driver_sheet;
extern const struct hf_driver_ops hf_driver_rig_by_command; /* rig_board.c; in no list: found by set_by */
extern const struct hf_driver_ops hf_driver_rig_by_sheet;

/* Counts, steps and names of a configuration make sense; HF_E_RANGE names the group. */
int hf_driver_check_config(const struct hf_driver_config *config, struct hf_error *error);

/* Every wanted step is -1, or 0 to the group's highest. The one gate against going too high: called by every
 * driver before it touches anything. */
int hf_driver_check_wanted(const struct hf_driver_config *config, const int16_t *wanted,
                           struct hf_error *error);

/* "0-3,8", as the group's CPUs stand in the profile. */
void hf_driver_add_cpus(const struct hf_driver_group *group, struct hf_text *text);

double hf_driver_ratio(const struct hf_driver_config *config, int step);

#define HF_RATIO_TEXT 24

/* 41.25; four decimals where two would not be exact. */
void hf_driver_ratio_format(double ratio, char ret_text[HF_RATIO_TEXT]);

/* HF_E_REFUSED when a user other than root and own_user could exchange the program: its file, what its name
 * links to, or a folder above. */
int hf_driver_check_program(const char *program, unsigned own_user, struct hf_error *error);

#endif
