/* What the files of the sensors share: finding, roles, reading. */
#ifndef HOLDFAST_MACHINE_SENSORS_PRIVATE_H
#define HOLDFAST_MACHINE_SENSORS_PRIVATE_H

#include "holdfast/sensors.h"

struct hf_sensor_slot {
    struct hf_sensor about;
    char path[HF_HOST_PATH_MAX];       /* of the number */
    char fault_path[HF_HOST_PATH_MAX]; /* "" when the kernel has no such mark for it */
    char label_path[HF_HOST_PATH_MAX]; /* "" when it has no label */
    char name_path[HF_HOST_PATH_MAX];  /* of the chip's name */
    int handle, fault_handle;          /* -1: not open */
    int gone;
    int renamed;
    struct hf_sensor_history history;
    struct hf_energy_counter energy;
};

struct hf_sensors {
    const struct hf_host *host;
    struct hf_sensor_slot *slot;
    int count, capacity, left_out;
    int handles; /* open now */
    int first;   /* where the next round begins */
    int next_name_check;
    int out_of_memory;
    double stuck_s;
    int64_t next_search_ns;
};

/* Appends every sensor of the host to the set. */
void hf_sensors_find(struct hf_sensors *set);

#endif
