/*
 * Checks what a reset has left of a run, from outside the machine that was reset.
 *
 *   check_run DIR WITNESS [LATER]
 *
 * WITNESS is what the machine said on its second serial line: "begin N" before the lines up to N are written,
 * "done N CRC STATE" when they cannot be lost any more; CRC is line N's, STATE the checksum of the state that
 * the search had folded then. LATER is the same run after it was resumed somewhere else. Checked:
 *   1. every acknowledged record is there, with its checksum;
 *   2. none is there that was not being written;
 *   3. the fold of what is there equals, byte by byte, what the search itself had folded at each "done";
 *   4. each trial of DIR and of LATER is the one that a fresh plan, fed with the records before it and
 * nothing else, proposes: the next proposal is what a search without a reset makes from the same journal;
 *   5. LATER begins with DIR's records.
 * Prints one line of figures; exit status 1 with a sentence when something does not hold.
 */
#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "holdfast/checksum.h"
#include "holdfast/plan_config.h"
#include "holdfast/run.h"

#define RECORDS_MAX 1000000

struct witness {
    uint64_t begun; /* highest number of a "begin"; 0: none */
    uint64_t done;  /* highest number of a "done" */
    uint64_t dones;
    uint32_t *crc;   /* by record number; valid where there was a "done" */
    uint32_t *state; /* 0: the search could not say */
    char *is_done;
};

struct replay {
    const char *name;
    const struct witness *witness; /* NULL: of LATER */
    struct hf_profile *profile;
    struct hf_plan *plan;
    struct hf_run_state state;
    double clock_factor;
    uint64_t records;
    uint64_t compared; /* states */
    uint64_t proposals;
    uint32_t *crc;
};

static void broken(const char *format, ...) __attribute__((format(printf, 1, 2), noreturn));

static void broken(const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    (void)vprintf(format, arguments);
    va_end(arguments);
    (void)printf("\n");
    exit(1);
}

static void must(int code, const struct hf_error *error)
{
    if (code != HF_OK)
        broken("%s", error->message);
}

static void *room(size_t count, size_t size)
{
    void *bytes = calloc(count, size);

    if (bytes == NULL)
        broken("no memory");
    return bytes;
}

/* --- what the machine said --- */

/* A line that the reset has cut says nothing. */
static void take_line(struct witness *witness, const char *line)
{
    uint64_t number;
    uint32_t crc;
    uint32_t state;
    int end = 0;

    if (sscanf(line, "begin %" SCNu64 "%n", &number, &end) == 1 && line[end] == '\n') {
        if (number > witness->begun)
            witness->begun = number;
        return;
    }
    if (sscanf(line, "done %" SCNu64 " %8x %8x%n", &number, &crc, &state, &end) != 3 || line[end] != '\n' ||
        number >= RECORDS_MAX)
        return;
    witness->crc[number] = crc;
    witness->state[number] = state;
    witness->is_done[number] = 1;
    witness->dones++;
    if (number > witness->done)
        witness->done = number;
}

static void read_witness(struct witness *witness, const char *path)
{
    FILE *file = fopen(path, "r");
    char line[256];

    if (file == NULL)
        broken("cannot read %s", path);
    witness->crc = room(RECORDS_MAX, sizeof *witness->crc);
    witness->state = room(RECORDS_MAX, sizeof *witness->state);
    witness->is_done = room(RECORDS_MAX, 1);
    while (fgets(line, sizeof line, file) != NULL) {
        size_t size = strcspn(line, "\r\n");

        if (line[size] == '\r') /* a terminal's line end */
            memcpy(line + size, "\n", 2);
        take_line(witness, line);
    }
    (void)fclose(file);
}

/* --- what is there --- */

static int is_proposed(const struct replay *replay, const struct hf_event *event,
                       const struct hf_proposal *proposal)
{
    size_t groups = (size_t)replay->profile->group_count;

    if (proposal->purpose != event->purpose)
        return 0;
    if (event->group == HF_GROUP_ALL)
        return proposal->kind == HF_PROPOSAL_JOINT &&
               memcmp(proposal->joint_step, event->joint_step, groups * sizeof event->joint_step[0]) == 0;
    return proposal->kind == HF_PROPOSAL_TRIAL && proposal->step == event->step;
}

/* As the supervisor asks: at the time of the last record before. */
static void check_proposal(struct replay *replay, const struct hf_event *event)
{
    struct hf_proposal proposal;
    int group = event->group == HF_GROUP_ALL ? 0 : event->group;

    hf_plan_propose(replay->plan, group, replay->state.last_time_s, &proposal);
    replay->proposals++;
    if (!is_proposed(replay, event, &proposal))
        broken("%s: record %" PRIu64 ", trial %" PRIu64
               ": a plan that replays the journal proposes another trial (%s)",
               replay->name, event->sequence, event->trial, proposal.reason);
}

static int see_event(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct replay *replay = context;

    if (event->type == HF_EVENT_TRIAL_BEGIN)
        check_proposal(replay, event);
    return hf_plan_observe(replay->plan, event, error);
}

static int see_record(void *context, const struct hf_record *record, struct hf_error *error)
{
    struct replay *replay = context;
    const struct witness *witness = replay->witness;
    uint64_t number = record->sequence;
    int count;

    count = hf_event_count(record);
    for (int i = 0; i < count; i++) {
        struct hf_event event;

        if (hf_event_decode(record, i, replay->state.first_wall_ns, replay->clock_factor, &event, error) !=
                HF_OK ||
            see_event(replay, &event, error) != HF_OK)
            return error->code;
    }
    if (hf_run_fold(&replay->state, record, replay->clock_factor, error) != HF_OK)
        return error->code;
    replay->records = number;
    replay->crc[number] = record->crc;
    if (witness == NULL || !witness->is_done[number])
        return HF_OK;
    if (witness->crc[number] != record->crc)
        broken("record %" PRIu64 " is not the one that was acknowledged", number);
    if (witness->state[number] != 0) {
        replay->compared++;
        if (witness->state[number] != hf_crc32c(0, &replay->state, sizeof replay->state))
            broken("record %" PRIu64 ": the fold is not the state that the search had", number);
    }
    return HF_OK;
}

static void replay_run(struct replay *replay, const char *directory, const struct witness *witness)
{
    const struct hf_journal_options options = {.read_only = 1};
    struct hf_journal_opening opening;
    struct hf_journal *journal;
    struct hf_plan_config config;
    enum hf_plan_method method;
    struct hf_error error = {0};
    char path[4096];

    *replay = (struct replay){.name = directory, .witness = witness};
    replay->crc = room(RECORDS_MAX, sizeof *replay->crc);
    (void)snprintf(path, sizeof path, "%s/profile.json", directory);
    must(hf_profile_read(path, &replay->profile, &error), &error);
    replay->clock_factor = replay->profile->has_rig ? replay->profile->rig.clock_factor : 1;
    must(hf_plan_config_of_profile(replay->profile, NULL, NULL, &config, &method, &error), &error);
    must(hf_plan_new(&config, method, &replay->plan, &error), &error);
    must(hf_journal_open(directory, &options, see_record, replay, &journal, &opening, &error), &error);
    hf_journal_close(journal);
}

int main(int argc, char **argv)
{
    static struct witness witness;
    static struct replay here;
    static struct replay later;
    uint64_t last;

    if (argc != 3 && argc != 4) {
        fprintf(stderr, "usage: check_run DIR WITNESS [LATER]\n");
        return 2;
    }
    read_witness(&witness, argv[2]);
    replay_run(&here, argv[1], &witness);
    last = witness.begun > witness.done ? witness.begun : witness.done;
    if (here.records < witness.done)
        broken("%" PRIu64 " records are there, %" PRIu64 " were acknowledged", here.records, witness.done);
    if (last > 0 && here.records > last)
        broken("%" PRIu64 " records are there, only %" PRIu64 " were written", here.records, last);
    if (argc == 4) {
        replay_run(&later, argv[3], NULL);
        for (uint64_t number = 1; number <= here.records; number++) {
            if (here.crc[number] != later.crc[number])
                broken("record %" PRIu64 " is another one after the resume", number);
        }
        if (later.proposals <= here.proposals)
            broken("the search did not begin a trial after the reset");
    }
    printf("acknowledged %" PRIu64 " there %" PRIu64 " states %" PRIu64 " proposals %" PRIu64
           " later %" PRIu64 "\n",
           witness.done, here.records, here.compared, here.proposals,
           argc == 4 ? later.proposals - here.proposals : 0);
    return 0;
}
