/*
 * A whole night in virtual time, written as a journal: the same seed gives the same journal to the byte,
 * another seed another one; and a plan that replays the journal stands, to the bit, where the plan of the
 * night stood.
 */
#include <fcntl.h>

#include "holdfast/checksum.h"
#include "holdfast/plan_config.h"
#include "holdfast/rehearse.h"
#include "sim/scripted.h"

static const char profile_text[] =
    "{\"format\":1,\"name\":\"night\",\"base_clock_mhz\":100,\"ratio\":{\"lowest\":34,\"highest\":48,"
    "\"step\":0.25,"
    "\"baseline\":35},\"driver\":\"rig\",\"mix\":\"night\",\"rig\":{\"seed\":\"1\"},\"groups\":["
    "{\"name\":\"g0\",\"cpus\":\"0-3\"},{\"name\":\"g1\",\"cpus\":\"4-7\"},{\"name\":\"g2\",\"cpus\":\"8-"
    "11\"}]}";

/* Virtual time: the journal's wall and monotonic clocks are the night's own. */
static int64_t now_ns;

static int64_t virtual_wall_ns(void *context)
{
    (void)context;
    return INT64_C(1795600000000000000) + now_ns;
}

static int64_t virtual_monotonic_ns(void *context)
{
    (void)context;
    return now_ns;
}

static const struct hf_clock virtual_clock = {virtual_wall_ns, virtual_monotonic_ns, NULL};

struct night {
    char directory[256];
    struct hf_profile *profile;
    struct hf_plan_config config;
    struct hf_plan *plan; /* fed by what the run shows of each line it has just written */
    struct hf_run *run;
    uint64_t events;
};

static void must(int code, const struct hf_error *error)
{
    if (code == HF_OK)
        return;
    fprintf(stderr, "%s\n", error->message);
    exit(1);
}

static int show_plan(void *context, const struct hf_event *event, struct hf_error *error)
{
    return hf_plan_observe(context, event, error);
}

static void open_night(struct night *night)
{
    enum hf_plan_method method;
    struct hf_error error = {0};
    struct hf_run_options options = {
        .event_visitor = show_plan,
        .observe_live = 1,
        .journal = {.clock = &virtual_clock, .boot_id = "virtual", .salt = 7, .reserve_bytes = 1 << 20}};

    must(hf_profile_parse(profile_text, strlen(profile_text), "night", &night->profile, &error), &error);
    must(hf_plan_config_of_profile(night->profile, NULL, NULL, &night->config, &method, &error), &error);
    must(hf_plan_new(&night->config, method, &night->plan, &error), &error);
    options.profile = night->profile;
    options.event_context = night->plan;
    must(hf_run_open(night->directory, &options, &night->run, &error), &error);
}

static void close_night(struct night *night)
{
    hf_run_close(night->run);
    hf_plan_free(night->plan);
    hf_profile_free(night->profile);
}

static void write_event(void *context, int number, const struct hf_event *event)
{
    struct night *night = context;
    struct hf_error error = {0};

    (void)number;
    now_ns = (int64_t)(event->time_s * 1e9);
    night->events++;
    must(hf_run_add_event(night->run, event, NULL, &error), &error);
    must(hf_journal_commit(night->run->journal, &error), &error);
}

static void digest_of(const char *directory, char ret_hex[HF_SHA256_HEX])
{
    char path[320];
    struct hf_sha256 sha;
    struct hf_text text;
    struct hf_error error = {0};

    (void)snprintf(path, sizeof path, "%s/journal.jsonl", directory);
    must(hf_text_read_file(&text, path, 64 * 1024 * 1024, &error), &error);
    hf_sha256_init(&sha);
    hf_sha256_update(&sha, text.bytes, text.size);
    hf_sha256_finish(&sha, ret_hex);
    hf_text_release(&text);
}

static void night_of(uint64_t seed, struct night *night, char ret_hex[HF_SHA256_HEX])
{
    struct hf_error error = {0};
    struct hf_rig_config rig;
    struct hf_rehearse_result result;
    struct hf_rehearse_options options = {.rigs = 1,
                                          .seed = seed,
                                          .method = HF_METHOD_BELIEF,
                                          .groups = 3,
                                          .cores = 4,
                                          .context = night,
                                          .trace = write_event};

    *night = (struct night){0};
    now_ns = 0;
    scripted_directory(night->directory, sizeof night->directory, "night");
    open_night(night);
    hf_rig_config_of_profile(night->profile, &rig);
    options.rig = &rig;
    options.plan = &night->config;
    must(hf_rehearse(&options, &result, &error), &error);
    digest_of(night->directory, ret_hex);
}

/* Every answer of two plans, bit for bit. */
static int stand_alike(const struct hf_plan *one, const struct hf_plan *other, int groups)
{
    for (int g = 0; g < groups; g++) {
        struct hf_proposal proposals[2];
        struct hf_plan_view views[2];

        memset(proposals, 0, sizeof proposals);
        memset(views, 0, sizeof views);
        hf_plan_propose(one, g, 1e9, &proposals[0]);
        hf_plan_propose(other, g, 1e9, &proposals[1]);
        hf_plan_view(one, g, &views[0]);
        hf_plan_view(other, g, &views[1]);
        if (proposals[0].kind != proposals[1].kind || proposals[0].step != proposals[1].step ||
            strcmp(proposals[0].reason, proposals[1].reason) != 0 ||
            views[0].chosen_step != views[1].chosen_step ||
            memcmp(&views[0].edge_step_median, &views[1].edge_step_median, sizeof(double)) != 0 ||
            memcmp(&views[0].rate_at_choice_upper_per_hour, &views[1].rate_at_choice_upper_per_hour,
                   sizeof(double)) != 0)
            return 0;
    }
    return 1;
}

int main(int argc, char **argv)
{
    static struct night nights[3];
    static struct night replay;
    char hex[3][HF_SHA256_HEX];
    int same;
    int other;
    int alike;

    scripted_worker_main(argc, argv);
    night_of(5, &nights[0], hex[0]);
    night_of(5, &nights[1], hex[1]);
    night_of(6, &nights[2], hex[2]);
    same = strcmp(hex[0], hex[1]) == 0;
    other = strcmp(hex[0], hex[2]) != 0;
    hf_run_close(nights[0].run); /* its lock must go before the same run can be opened again */
    nights[0].run = NULL;
    memcpy(replay.directory, nights[0].directory, sizeof replay.directory);
    open_night(&replay);
    alike = stand_alike(nights[0].plan, replay.plan, 3);
    printf("%llu events; same seed, same journal: %s; another seed, another journal: %s; replay stands "
           "alike: %s\n",
           (unsigned long long)nights[0].events, same ? "yes" : "NO", other ? "yes" : "NO",
           alike ? "yes" : "NO");
    close_night(&replay);
    for (int i = 0; i < 3; i++) {
        close_night(&nights[i]);
        scripted_remove(nights[i].directory);
    }
    return !(same && other && alike && nights[0].events > 50);
}
