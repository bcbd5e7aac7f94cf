/*
 * The supervisor is killed at every journal write and at every sync of a small search, then started again as
 * a person would. Each time: every verdict that was acknowledged before is still there, unchanged and in
 * order; the journal folds; the search goes on to its end.
 *
 * The journal's own crash states (lost, torn and scribbled writes) are test_power_cut's; here the process
 * dies, and what it had written stays written.
 */
#include <signal.h>
#include <sys/mman.h>
#include <sys/wait.h>

#include "holdfast/plan_config.h"
#include "sim/scripted.h"

#define VERDICTS_MAX 256

/* Shared with the child that is killed. */
static struct {
    long calls;  /* writes, or syncs */
    long die_at; /* 0: never */
    int die_in_sync;
} * shared;

static void maybe_die(int in_sync)
{
    if (in_sync == shared->die_in_sync && ++shared->calls == shared->die_at)
        (void)kill(getpid(), SIGKILL);
}

static long write_or_die(int fd, const void *bytes, size_t size)
{
    maybe_die(0);
    return write(fd, bytes, size);
}

static int sync_or_die(int fd)
{
    maybe_die(1);
    return fdatasync(fd);
}

static long read_at(int fd, void *bytes, size_t size, int64_t offset)
{
    return pread(fd, bytes, size, (off_t)offset);
}

static const struct hf_journal_file_ops dying_ops = {
    .write = write_or_die, .sync = sync_or_die, .read_at = read_at};

/* --- the small search -------------------------------------------------------------------------------- */

static const char profile_text[] =
    "{\"format\":1,\"name\":\"killed\",\"base_clock_mhz\":100,\"ratio\":{\"lowest\":32,\"highest\":32.5,"
    "\"step\":0.25,"
    "\"baseline\":32},\"driver\":\"rig\",\"mix\":\"quick\",\"rig\":{\"seed\":\"1\",\"clock_factor\":6000},"
    "\"groups\":[{\"name\":\"g0\",\"cpus\":\"0\"}],\"search\":{\"method\":\"step-up\",\"soak_hours\":0.25,"
    "\"baseline_minutes\":5}}";

struct verdict {
    uint64_t trial;
    enum hf_verdict verdict;
    enum hf_cause cause;
};

struct search {
    struct hf_search_director director;
    struct verdict verdicts[VERDICTS_MAX];
    int count;
};

static int observe(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct search *search = context;

    if (event->type == HF_EVENT_VERDICT && search->count < VERDICTS_MAX)
        search->verdicts[search->count++] = (struct verdict){event->trial, event->verdict, event->cause};
    return hf_search_director_observe(&search->director, event, error);
}

struct opened {
    struct hf_profile *profile;
    struct hf_mix mix;
    struct hf_plan *plan;
    struct search search;
    struct hf_director director;
    struct hf_run *run;
};

static void must(int code, const struct hf_error *error)
{
    if (code == HF_OK)
        return;
    fprintf(stderr, "%s\n", error->message);
    exit(1);
}

static void open_search(struct opened *o, const char *directory, struct hf_error *error)
{
    struct hf_plan_config config;
    enum hf_plan_method method;
    struct hf_run_options options = {
        .event_visitor = observe,
        .event_context = &o->search,
        .observe_live = 1,
        .journal = {.boot_id = "one-boot", .file_ops = &dying_ops, .reserve_bytes = 1 << 20}};

    must(hf_profile_parse(profile_text, strlen(profile_text), "profile", &o->profile, error), error);
    must(hf_mix_builtin("quick", &o->mix, error), error);
    must(hf_plan_config_of_profile(o->profile, NULL, NULL, &config, &method, error), error);
    must(hf_plan_new(&config, method, &o->plan, error), error);
    hf_search_director_init(&o->search.director, o->plan, 1, &o->mix, 1, &o->director);
    options.profile = o->profile;
    must(hf_run_open(directory, &options, &o->run, error), error);
}

static void close_search(struct opened *o)
{
    hf_run_close(o->run);
    hf_plan_free(o->plan);
    hf_profile_free(o->profile);
}

/* A session as the command would run it. Returns the supervisor's end. */
static int session(const char *directory)
{
    struct opened o = {0};
    struct hf_error error = {0};
    struct hf_supervisor_result result;
    int end;

    open_search(&o, directory, &error);
    if (o.run->state.finished) {
        close_search(&o);
        return HF_END_FINISHED;
    }
    must(hf_supervisor_run(&(struct hf_supervisor_options){.run = o.run,
                                                           .director = &o.director,
                                                           .mix = &o.mix,
                                                           .driver = &scripted_driver,
                                                           .boot_id = "one-boot",
                                                           .wall_limit_s = 30},
                           &result, &error),
         &error);
    end = (int)result.end;
    hf_text_release(&result.words);
    close_search(&o);
    return end;
}

static int read_verdicts(const char *directory, struct verdict *ret_verdicts)
{
    struct opened o = {0};
    struct hf_error error = {0};

    shared->die_at = 0;
    open_search(&o, directory, &error);
    memcpy(ret_verdicts, o.search.verdicts, sizeof o.search.verdicts);
    close_search(&o);
    return o.search.count;
}

/* 1 when the child was killed; 0 when it came to its end first. */
static int session_killed_at(const char *directory, long call, int in_sync)
{
    int status;
    pid_t child;

    shared->calls = 0;
    shared->die_at = call;
    shared->die_in_sync = in_sync;
    (void)fflush(NULL);
    child = fork();
    if (child == 0)
        _exit(session(directory) == HF_END_FINISHED ? 0 : 1);
    (void)waitpid(child, &status, 0);
    if (WIFEXITED(status) && WEXITSTATUS(status) != 0) {
        fprintf(stderr, "the search did not end well when no kill came (status %d)\n", WEXITSTATUS(status));
        exit(1);
    }
    return WIFSIGNALED(status);
}

static int run_killed_once(long call, int in_sync)
{
    struct verdict before[VERDICTS_MAX];
    struct verdict after[VERDICTS_MAX];
    char directory[256];
    int killed, before_count, after_count, end;

    scripted_directory(directory, sizeof directory, "killed");
    killed = session_killed_at(directory, call, in_sync);
    before_count = read_verdicts(directory, before);
    end = session(directory);
    after_count = read_verdicts(directory, after);
    if (end != HF_END_FINISHED || after_count < before_count ||
        memcmp(before, after, (size_t)before_count * sizeof before[0]) != 0) {
        fprintf(stderr, "%s %ld: %d verdicts before, %d after, end %d\n", in_sync ? "sync" : "write", call,
                before_count, after_count, end);
        exit(1);
    }
    scripted_remove(directory);
    return killed;
}

int main(int argc, char **argv)
{
    scripted_worker_main(argc, argv);
    shared = mmap(NULL, sizeof *shared, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (shared == MAP_FAILED)
        return 1;
    for (int in_sync = 0; in_sync <= 1; in_sync++) {
        long call = 1;

        while (run_killed_once(call, in_sync))
            call++;
        printf("killed at each of %ld %s, and went on each time\n", call - 1, in_sync ? "syncs" : "writes");
        if (call < 10) {
            fprintf(stderr, "only %ld calls: the search is too short to prove anything\n", call - 1);
            return 1;
        }
    }
    return 0;
}
