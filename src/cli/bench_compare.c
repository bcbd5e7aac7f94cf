#include "cli/bench_compare.h"

#include <errno.h>
#include <fcntl.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include "holdfast/json.h"

#define OUTPUT_MAX 4096
#define RATE_HIGH  1e6

extern char **environ;

static int spawn(const char *program, int output, pid_t *ret_pid, struct hf_error *error)
{
    char *const argv[] = {(char *)(uintptr_t)program, NULL};
    posix_spawn_file_actions_t actions;
    int code;

    (void)posix_spawn_file_actions_init(&actions);
    (void)posix_spawn_file_actions_adddup2(&actions, output, STDOUT_FILENO);
    code = posix_spawn(ret_pid, program, &actions, NULL, argv, environ);
    (void)posix_spawn_file_actions_destroy(&actions);
    if (code != 0)
        return hf_fail(error, HF_E_NOT_FOUND,
                       "--compare %s cannot be started: %s; build it with -DHOLDFAST_COMPARE=ON", program,
                       strerror(code));
    return HF_OK;
}

/* Everything up to the end, as far as it fits. */
static size_t read_all(int fd, char ret_bytes[OUTPUT_MAX])
{
    size_t size = 0;

    while (size < OUTPUT_MAX) {
        ssize_t got = read(fd, ret_bytes + size, OUTPUT_MAX - size);

        if (got > 0)
            size += (size_t)got;
        else if (got == 0 || errno != EINTR)
            break;
    }
    return size;
}

static int read_figures(const char *program, const char *bytes, size_t size,
                        struct hf_bench_libraries *ret_libraries, struct hf_error *error)
{
    struct hf_bench_libraries libraries;
    struct hf_json_reader root;
    struct cJSON *document;

    if (hf_json_parse(bytes, size, program, &document, error) != HF_OK)
        return error->code;
    root = hf_json_root(document, program);
    if (hf_json_get_number(&root, "dgemm_gflops", 1e-6, RATE_HIGH, &libraries.dgemm_gflops, error) == HF_OK &&
        hf_json_get_number(&root, "aes128_gbytes_per_s", 1e-6, RATE_HIGH, &libraries.aes128_gbytes_per_s,
                           error) == HF_OK &&
        hf_json_get_number(&root, "sha256_gbytes_per_s", 1e-6, RATE_HIGH, &libraries.sha256_gbytes_per_s,
                           error) == HF_OK)
        *ret_libraries = libraries;
    hf_json_document_free(document);
    return error->code;
}

int hf_bench_libraries(const char *program, struct hf_bench_libraries *ret_libraries, struct hf_error *error)
{
    char bytes[OUTPUT_MAX];
    int ends[2];
    int status = 0;
    size_t size;
    pid_t pid;

    if (pipe2(ends, O_CLOEXEC) != 0)
        return hf_fail_errno(error, errno, "a pipe for %s", program);
    if (spawn(program, ends[1], &pid, error) != HF_OK) {
        (void)close(ends[0]);
        (void)close(ends[1]);
        return error->code;
    }
    (void)close(ends[1]);
    size = read_all(ends[0], bytes);
    (void)close(ends[0]);
    while (waitpid(pid, &status, 0) < 0 && errno == EINTR)
        continue;
    if (!WIFEXITED(status) || WEXITSTATUS(status) != 0)
        return hf_fail(error, HF_E_INPUT, "--compare %s did not end well", program);
    return read_figures(program, bytes, size, ret_libraries, error);
}
