/* The survey's clocks, sensors and error sources, on a screen and as JSON. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "cli/survey.h"

#define SENSOR_LINES_MAX 12

/* --- clocks ----------------------------------------------------------------------------------------- */

static void print_clock(const struct hf_survey_machine *machine, const struct hf_topology *topology)
{
    const struct hf_survey_clock *clock = &machine->clock;

    hf_survey_say("\nclock\n  measured by %s: %s%s%s%s\n", hf_clock_method_name(clock->method),
                  hf_clock_method_sentence(clock->method), clock->reasons[0] != '\0' ? " (" : "",
                  clock->reasons, clock->reasons[0] != '\0' ? ")" : "");
    for (int i = 0; i < clock->measured_count; i++)
        hf_survey_say("%s%s CPU %d %.0f MHz%s", i % 4 == 0 ? "  " : ", ",
                      topology->group[clock->measured[i].group].name, clock->measured[i].cpu,
                      clock->measured[i].mhz, i % 4 == 3 || i == clock->measured_count - 1 ? "\n" : "");
    if (clock->policies > 0)
        hf_survey_say("  controlled by %s, %d policies, %.0f to %.0f MHz; governors: %s\n",
                      clock->frequency_driver[0] != '\0' ? clock->frequency_driver : "?", clock->policies,
                      clock->lowest_mhz, clock->highest_mhz,
                      clock->governors[0] != '\0' ? clock->governors : "?");
}

/* --- sensors ---------------------------------------------------------------------------------------- */

static void print_sensor(const struct hf_survey_machine *machine, int index)
{
    const struct hf_sensor *sensor = hf_sensors_at(machine->sensors, index);
    const struct hf_reading *reading = &machine->readings[index];

    hf_survey_say(
        "  %-11s %s %s%s%s: ", sensor->role != HF_ROLE_NONE ? hf_sensor_role_name(sensor->role) : "",
        sensor->chip, sensor->input, sensor->label[0] != '\0' ? " " : "", sensor->label);
    if (reading->trouble == HF_SENSOR_GOOD && sensor->kind != HF_SENSOR_ENERGY)
        hf_survey_say("%.*f %s", sensor->kind == HF_SENSOR_VOLTAGE ? 3 : 1, reading->value,
                      hf_sensor_kind_unit(sensor->kind));
    else if (reading->trouble == HF_SENSOR_GOOD)
        hf_survey_say("energy counter");
    else
        hf_survey_say("%s (%s)", hf_sensor_trouble_name(reading->trouble),
                      hf_sensor_trouble_sentence(reading->trouble));
    if (isfinite(sensor->critical))
        hf_survey_say(" (critical at %.0f)", sensor->critical);
    hf_survey_say("\n");
}

/* The cores of a group in one line. */
static int print_group_sensors(const struct hf_survey_machine *machine, const struct hf_topology *topology,
                               int group, int show)
{
    double lowest = INFINITY, highest = -INFINITY;
    int count = 0;

    for (int i = 0; i < hf_sensors_count(machine->sensors); i++) {
        const struct hf_sensor *sensor = hf_sensors_at(machine->sensors, i);

        if (sensor->role != HF_ROLE_GROUP || sensor->group != group || sensor->kind != HF_SENSOR_TEMPERATURE)
            continue;
        count++;
        if (machine->readings[i].trouble != HF_SENSOR_GOOD)
            continue;
        lowest = fmin(lowest, machine->readings[i].value);
        highest = fmax(highest, machine->readings[i].value);
    }
    if (show && count > 0 && highest >= lowest)
        hf_survey_say("  core-group  %s: %d sensors, %.1f to %.1f degC\n", topology->group[group].name, count,
                      lowest, highest);
    else if (show && count > 0)
        hf_survey_say("  core-group  %s: %d sensors, none of them believed\n", topology->group[group].name,
                      count);
    return count > 0;
}

/* One line each, with a role other than a core group's or without one; *lines counts those not shown, too. */
static void print_plain_sensors(const struct hf_survey_machine *machine, int with_role, int *lines)
{
    for (int i = 0; i < hf_sensors_count(machine->sensors); i++) {
        enum hf_sensor_role role = hf_sensors_at(machine->sensors, i)->role;

        if (role == HF_ROLE_GROUP || (role != HF_ROLE_NONE) != with_role)
            continue;
        if ((*lines)++ < SENSOR_LINES_MAX)
            print_sensor(machine, i);
    }
}

static void print_sensors(const struct hf_survey_machine *machine, const struct hf_topology *topology)
{
    int count = hf_sensors_count(machine->sensors);
    int good = 0;
    int lines = 0;

    for (int i = 0; i < count; i++)
        good += machine->readings[i].trouble == HF_SENSOR_GOOD;
    hf_survey_say("\nsensors: %d, %d of them believed\n", count, good);
    print_plain_sensors(machine, 1, &lines);
    for (int group = 0; group < topology->group_count; group++)
        lines += print_group_sensors(machine, topology, group, lines < SENSOR_LINES_MAX);
    print_plain_sensors(machine, 0, &lines);
    if (lines > SENSOR_LINES_MAX)
        hf_survey_say("  and %d more lines: --json shows all\n", lines - SENSOR_LINES_MAX);
}

/* --- error sources ---------------------------------------------------------------------------------- */

static void print_latest(const struct hf_survey_errors *errors)
{
    for (int i = 0; i < errors->latest_count; i++) {
        const struct hf_hardware_error *event = &errors->latest[i];

        hf_survey_say("    %s%s %s error", event->previous_boot ? "previous boot: " : "",
                      hf_error_severity_name(event->severity), hf_error_kind_name(event->kind));
        if (event->cpu >= 0)
            hf_survey_say(", CPU %d", event->cpu);
        hf_survey_say(": %.*s\n", (int)strcspn(event->text, "\n"), event->text);
    }
}

static void print_errors(const struct hf_survey_machine *machine)
{
    const struct hf_survey_errors *errors = &machine->errors;
    const char *blindness = hf_polling_blindness(&errors->polling);

    hf_survey_say("\nhardware error reports\n");
    if (errors->log_readable)
        hf_survey_say(
            "  log         %llu records%s; %llu corrected, %llu worse, %llu notices, %llu left by the "
            "boot before\n",
            (unsigned long long)errors->log.records,
            errors->log.begin_is_missing ? " (the boot's first are gone)" : "",
            (unsigned long long)errors->by_severity[HF_SEVERITY_CORRECTED],
            (unsigned long long)(errors->by_severity[HF_SEVERITY_DEFERRED] +
                                 errors->by_severity[HF_SEVERITY_UNCORRECTED] +
                                 errors->by_severity[HF_SEVERITY_FATAL]),
            (unsigned long long)errors->by_severity[HF_SEVERITY_NOTICE],
            (unsigned long long)errors->previous_boot);
    else
        hf_survey_say("  log         %s\n", errors->log_trouble);
    print_latest(errors);
    if (blindness == NULL)
        hf_survey_say("  polling     every %lld s, %d banks (shortened for a run)\n",
                      (long long)errors->polling.check_interval_s, errors->polling.banks);
    else
        hf_survey_say("  polling     %s\n", blindness);
    hf_survey_say("  memory      %d error counters;  trace points %s;  dumps of earlier boots: %s",
                  errors->memory_count,
                  errors->trace_points > 0   ? "usable"
                  : errors->trace_points < 0 ? "need root"
                                             : "none",
                  errors->dumps < 0 ? "need root\n" : "");
    if (errors->dumps >= 0)
        hf_survey_say("%d\n", errors->dumps);
}

void hf_survey_machine_print(const struct hf_survey_machine *machine, const struct hf_topology *topology)
{
    print_clock(machine, topology);
    print_sensors(machine, topology);
    print_errors(machine);
}

void hf_survey_missing_print(const struct hf_survey_machine *machine)
{
    if (machine->missing_count == 0)
        return;
    hf_survey_say("\nmissing\n");
    for (int i = 0; i < machine->missing_count; i++)
        hf_survey_say("  %s\n    -> %s\n", machine->missing[i].what, machine->missing[i].mend);
}

/* --- JSON ------------------------------------------------------------------------------------------- */

static void write_clock(const struct hf_survey_clock *clock, const struct hf_topology *topology,
                        struct hf_json_writer *writer)
{
    hf_json_object_open(writer, "clock");
    hf_json_string(writer, "method", hf_clock_method_name(clock->method));
    hf_json_number(writer, "tsc_mhz", clock->tsc_mhz);
    hf_json_string(writer, "reasons", clock->reasons);
    hf_json_array_open(writer, "measured");
    for (int i = 0; i < clock->measured_count; i++) {
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "group", topology->group[clock->measured[i].group].name);
        hf_json_integer(writer, "cpu", clock->measured[i].cpu);
        hf_json_string(writer, "method", hf_clock_method_name(HF_CLOCK_CHAIN));
        hf_json_number(writer, "mhz", clock->measured[i].mhz);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
    hf_json_string(writer, "frequency_driver", clock->frequency_driver);
    hf_json_string(writer, "governors", clock->governors);
    hf_json_integer(writer, "policies", clock->policies);
    hf_json_number(writer, "lowest_mhz", clock->lowest_mhz);
    hf_json_number(writer, "highest_mhz", clock->highest_mhz);
    hf_json_object_close(writer);
}

static void write_sensors(const struct hf_survey_machine *machine, const struct hf_topology *topology,
                          struct hf_json_writer *writer)
{
    hf_json_array_open(writer, "sensors");
    for (int i = 0; i < hf_sensors_count(machine->sensors); i++) {
        const struct hf_sensor *sensor = hf_sensors_at(machine->sensors, i);
        const struct hf_reading *reading = &machine->readings[i];

        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "chip", sensor->chip);
        hf_json_string(writer, "device", sensor->device);
        hf_json_string(writer, "input", sensor->input);
        hf_json_string(writer, "label", sensor->label);
        hf_json_string(writer, "kind", hf_sensor_kind_name(sensor->kind));
        hf_json_string(writer, "unit", hf_sensor_kind_unit(sensor->kind));
        hf_json_string(writer, "role", hf_sensor_role_name(sensor->role));
        if (sensor->group >= 0)
            hf_json_string(writer, "group", topology->group[sensor->group].name);
        hf_json_number(writer, "value", reading->value);
        hf_json_string(writer, "trouble", hf_sensor_trouble_name(reading->trouble));
        hf_json_number(writer, "high_c", sensor->high);
        hf_json_number(writer, "critical_c", sensor->critical);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
}

static void write_events(const struct hf_survey_errors *errors, struct hf_json_writer *writer)
{
    hf_json_object_open(writer, "events");
    for (int severity = 0; severity < HF_ERROR_SEVERITY_COUNT; severity++)
        hf_json_u64(writer, hf_error_severity_name((enum hf_error_severity)severity),
                    errors->by_severity[severity]);
    hf_json_u64(writer, "previous_boot", errors->previous_boot);
    hf_json_object_close(writer);
    hf_json_array_open(writer, "latest");
    for (int i = 0; i < errors->latest_count; i++) {
        const struct hf_hardware_error *event = &errors->latest[i];

        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "source", hf_error_source_name(event->source));
        hf_json_string(writer, "severity", hf_error_severity_name(event->severity));
        hf_json_string(writer, "kind", hf_error_kind_name(event->kind));
        hf_json_integer(writer, "cpu", event->cpu);
        hf_json_integer(writer, "bank", event->bank);
        hf_json_u64(writer, "count", event->count);
        hf_json_bool(writer, "previous_boot", event->previous_boot);
        hf_json_string(writer, "text", event->text);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
}

static void write_errors(const struct hf_survey_errors *errors, struct hf_json_writer *writer)
{
    const char *blindness = hf_polling_blindness(&errors->polling);

    hf_json_object_open(writer, "error_sources");
    hf_json_bool(writer, "log_readable", errors->log_readable);
    hf_json_string(writer, "log_trouble", errors->log_trouble);
    hf_json_u64(writer, "log_records", errors->log.records);
    hf_json_u64(writer, "log_lost", errors->log.lost);
    hf_json_bool(writer, "log_begin_is_missing", errors->log.begin_is_missing);
    write_events(errors, writer);
    hf_json_bool(writer, "machine_checks", errors->polling.is_there);
    hf_json_integer(writer, "banks", errors->polling.banks);
    hf_json_integer(writer, "check_interval_s", errors->polling.check_interval_s);
    hf_json_string(writer, "blindness", blindness != NULL ? blindness : "");
    hf_json_array_open(writer, "memory_counters");
    for (int i = 0; i < errors->memory_count; i++) {
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "name", errors->memory[i].name);
        hf_json_string(writer, "label", errors->memory[i].label);
        hf_json_u64(writer, "corrected", errors->memory[i].corrected);
        hf_json_u64(writer, "uncorrected", errors->memory[i].uncorrected);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
    hf_json_string(writer, "trace_points",
                   errors->trace_points > 0   ? "usable"
                   : errors->trace_points < 0 ? "need root"
                                              : "none");
    hf_json_integer(writer, "stored_dumps", errors->dumps);
    hf_json_object_close(writer);
}

void hf_survey_machine_write(const struct hf_survey_machine *machine, const struct hf_topology *topology,
                             struct hf_json_writer *writer)
{
    write_clock(&machine->clock, topology, writer);
    write_sensors(machine, topology, writer);
    write_errors(&machine->errors, writer);
    hf_json_array_open(writer, "missing");
    for (int i = 0; i < machine->missing_count; i++) {
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "what", machine->missing[i].what);
        hf_json_string(writer, "mend", machine->missing[i].mend);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
}
