/* What a profile may hold: the tables that the parser works from, and that a test compares with
 * docs/profile.schema.json. */
#ifndef HOLDFAST_RECORD_PROFILE_KEYS_H
#define HOLDFAST_RECORD_PROFILE_KEYS_H

#include <stddef.h>

#include "holdfast/json.h"
#include "holdfast/profile.h"

enum hf_profile_object {
    HF_PROFILE_TOP,
    HF_PROFILE_RATIO,
    HF_PROFILE_GROUP,
    HF_PROFILE_TEMPERATURE,
    HF_PROFILE_SEARCH,
    HF_PROFILE_CONDITIONS,
    HF_PROFILE_RIG,
    HF_PROFILE_ODDITIES,
    HF_PROFILE_SENSOR,
    HF_PROFILE_COMMAND,
    HF_PROFILE_UPLOAD,
    HF_PROFILE_OBJECT_COUNT
};

/* NULL-terminated, by object. */
extern const char *const *const hf_profile_keys[HF_PROFILE_OBJECT_COUNT];

/* A number of an object (groups apart), and where it goes. */
struct hf_profile_number {
    enum hf_profile_object object;
    const char *key;
    double low, high;
    int required;
    double standard; /* when the document is silent; NAN: stays unknown */
    double scale;    /* stored = written x scale */
    size_t offset;   /* of a double in struct hf_profile */
};

extern const struct hf_profile_number hf_profile_numbers[];
extern const int hf_profile_number_count;

/* "command" and "driver_failure". */
int hf_profile_read_driver(const struct hf_json_reader *top, struct hf_profile *profile,
                           struct hf_error *error);

/* "set_by" and "board" of the rig. */
int hf_profile_read_rig_front(const struct hf_json_reader *rig, struct hf_profile *profile,
                              struct hf_error *error);

/* "upload". */
int hf_profile_read_upload(const struct hf_json_reader *top, struct hf_profile *profile,
                           struct hf_error *error);

/* The numbers of an object, by the table. */
int hf_profile_read_numbers(const struct hf_json_reader *object, enum hf_profile_object which,
                            struct hf_profile *profile, struct hf_error *error);

/* "sensors", after the groups. */
int hf_profile_read_sensors(const struct hf_json_reader *top, struct hf_profile *profile,
                            struct hf_error *error);

#endif
