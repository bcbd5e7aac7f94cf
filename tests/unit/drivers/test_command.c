/*
 * The command driver against programs that work and programs that do not: this test's own binary plays them
 * all (argument "play"), and the one in profiles/ is tried as it is.
 */
#include <limits.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

#include "drivers/drivers.h"

static char self[PATH_MAX];
static char folder[] = "/tmp/holdfast-command-XXXXXX";
static const int16_t cpus[2][3] = {{0, 1, 2}, {8, 10, 11}};
static const struct hf_driver_group groups[2] = {{"g0", cpus[0], 3, 4, 20, 0}, {"g1", cpus[1], 3, 4, 20, 0}};
static struct hf_driver_config config;

/* --- the programs ----------------------------------------------------------------------------------------
 */

static void nap(double seconds)
{
    struct timespec time = {(time_t)seconds, (long)((seconds - (double)(time_t)seconds) * 1e9)};

    nanosleep(&time, NULL);
}

static void keep(const char *name, const char *text)
{
    char path[PATH_MAX];
    FILE *file;

    snprintf(path, sizeof path, "%s/%s", getenv("COMMAND_TEST_FOLDER"), name);
    file = fopen(path, "we");
    if (file == NULL)
        exit(9);
    fputs(text, file);
    fclose(file);
}

static void start_a_child(double seconds)
{
    char text[32];
    pid_t child = fork();

    if (child == 0) {
        nap(seconds);
        _exit(0);
    }
    snprintf(text, sizeof text, "%d", (int)child);
    keep("child", text);
}

static int play(const char *part)
{
    static char question[65536];
    size_t size;

    if (strcmp(part, "deaf") == 0) { /* does not read its question */
        close(0);
        puts("{\"group\":\"g0\",\"ratio\":32}");
        return 0;
    }
    size = fread(question, 1, sizeof question - 1, stdin);
    question[size] = '\0';
    keep("question", question);
    if (strcmp(part, "echo") == 0)
        puts("{\"group\":\"g0\",\"ratio\":32}");
    else if (strcmp(part, "other-group") == 0)
        puts("{\"group\":\"g1\",\"ratio\":32}");
    else if (strcmp(part, "wrong-ratio") == 0)
        puts("{\"group\":\"g0\",\"ratio\":31.75}");
    else if (strcmp(part, "off-grid") == 0)
        puts("{\"group\":\"g0\",\"ratio\":32.1}");
    else if (strcmp(part, "beyond") == 0)
        puts("{\"group\":\"g0\",\"ratio\":99}");
    else if (strcmp(part, "error") == 0)
        puts("{\"group\":\"g0\",\"error\":\"the bus is asleep\"}");
    else if (strcmp(part, "more") == 0)
        puts("{\"group\":\"g0\",\"ratio\":32,\"mood\":\"good\"}");
    else if (strcmp(part, "text") == 0)
        puts("{\"group\":\"g0\",\"ratio\":\"32\"}");
    else if (strcmp(part, "twice") == 0)
        puts("{\"group\":\"g0\",\"ratio\":32}{\"group\":\"g0\",\"ratio\":32}");
    else if (strcmp(part, "garbage") == 0)
        puts("set ok");
    else if (strcmp(part, "status") == 0)
        return puts("{\"group\":\"g0\",\"ratio\":32}") >= 0 ? 3 : 9;
    else if (strcmp(part, "die") == 0)
        raise(SIGKILL);
    else if (strcmp(part, "words") == 0)
        return fputs("first line\nsecond line\n", stderr) + puts("{\"group\":\"g0\",\"ratio\":32}") < 0;
    else if (strcmp(part, "hang") == 0) {
        start_a_child(30);
        puts("{\"group\":\"g0\",\"ratio\":32}"); /* an answer, but no end */
        fflush(stdout);
        nap(30);
    } else if (strcmp(part, "leaves-a-child") == 0) { /* which holds the pipes open */
        start_a_child(5);
        puts("{\"group\":\"g0\",\"ratio\":32}");
    } else if (strcmp(part, "flood") == 0) {
        for (int i = 0; i < 100000; i++)
            puts("{\"group\":\"g0\"}");
    } else if (strcmp(part, "silent") != 0)
        return 8;
    return 0;
}

/* --- the tests -------------------------------------------------------------------------------------------
 */

static const char *words[4];

static void *open_part(const char *part, double limit_s)
{
    struct hf_error error = {0};
    void *opened = NULL;

    words[0] = self;
    words[1] = "play";
    words[2] = part;
    words[3] = NULL;
    config = (struct hf_driver_config){.group_count = 2,
                                       .groups = groups,
                                       .base_clock_mhz = 100,
                                       .ratio_lowest = 30,
                                       .ratio_step = 0.25,
                                       .step_count = 21,
                                       .command = words,
                                       .command_count = 3,
                                       .command_limit_s = limit_s};
    if (hf_driver_command.open(&config, &opened, &error) != HF_OK)
        fail_msg("%s", error.message);
    return opened;
}

/* Step 8: ratio 32. */
static int apply(void *opened, int group, int step, struct hf_error *error)
{
    int16_t wanted[HF_GROUPS_MAX] = {-1, -1};
    enum hf_apply_result result;

    wanted[group] = (int16_t)step;
    return hf_driver_command.apply(opened, wanted, &result, NULL, error);
}

static double now_s(void)
{
    struct timespec now;

    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

static void read_kept(const char *name, char *text, size_t size)
{
    char path[PATH_MAX];
    FILE *file;

    snprintf(path, sizeof path, "%s/%s", folder, name);
    file = fopen(path, "re");
    assert_non_null(file);
    text[fread(text, 1, size - 1, file)] = '\0';
    fclose(file);
}

static void test_question_and_answer(void **state)
{
    struct hf_error error = {0};
    char question[512];
    int step = -1;
    void *opened = open_part("echo", 5);

    (void)state;
    assert_int_equal(apply(opened, 0, 8, &error), HF_OK);
    read_kept("question", question, sizeof question);
    assert_string_equal(
        question,
        "{\"action\":\"apply\",\"group\":\"g0\",\"cpus\":\"0-2\",\"ratio\":32,\"clock_mhz\":3200}\n");
    assert_int_equal(hf_driver_command.read_back(opened, 0, &step, &error), HF_OK);
    assert_int_equal(step, 8);
    read_kept("question", question, sizeof question);
    assert_string_equal(question, "{\"action\":\"read\",\"group\":\"g0\",\"cpus\":\"0-2\"}\n");
    assert_int_equal(apply(opened, 1, 4, &error), HF_E_REFUSED); /* it answers for g0 */
    read_kept("question", question, sizeof question);
    assert_string_equal(
        question,
        "{\"action\":\"baseline\",\"group\":\"g1\",\"cpus\":\"8,10-11\",\"ratio\":31,\"clock_mhz\":3100}\n");
    hf_driver_command.close(opened);
}

/* Each fault its own words, exit status 4, and nothing believed. */
static void test_faults(void **state)
{
    static const struct {
        const char *part, *words;
        int code;
    } faults[] = {
        {"other-group", "group g0: the program answered for another group, g1", HF_E_REFUSED},
        {"wrong-ratio", "group g0: the program was asked for ratio 32.00 and says that 31.75 is in force",
         HF_E_REFUSED},
        {"off-grid", "ratio 32.1 is in force, which is none of the profile's: 30 to 35 in steps of 0.25",
         HF_E_REFUSED},
        {"beyond", "ratio 99 is in force, which is none of the profile's", HF_E_REFUSED},
        {"error", "group g0: the program could not do it: the bus is asleep", HF_E_MISSING},
        {"more", "unknown key \"mood\"", HF_E_MISSING},
        {"text", "ratio: must be a number", HF_E_MISSING},
        {"twice", "group g0: the program's answer", HF_E_MISSING},
        {"garbage", "group g0: the program's answer", HF_E_MISSING},
        {"status", "left with status 3", HF_E_MISSING},
        {"die", "was killed by signal 9", HF_E_MISSING},
        {"silent", "ended without an answer", HF_E_MISSING},
        {"flood", "answered with more than 16384 bytes", HF_E_MISSING},
    };

    (void)state;
    for (size_t i = 0; i < sizeof faults / sizeof faults[0]; i++) {
        struct hf_error error = {0};
        void *opened = open_part(faults[i].part, 5);
        int code = apply(opened, 0, 8, &error);

        if (code != faults[i].code || strstr(error.message, faults[i].words) == NULL)
            fail_msg("%s: %d \"%s\" instead of %d \"%s\"", faults[i].part, code, error.message,
                     faults[i].code, faults[i].words);
        assert_int_equal(hf_error_exit_status(code), 4);
        hf_driver_command.close(opened);
    }
}

static int is_alive(const char *name)
{
    char text[32];
    char path[64];
    char status[512] = "";
    FILE *file;

    read_kept(name, text, sizeof text);
    snprintf(path, sizeof path, "/proc/%d/stat", atoi(text));
    file = fopen(path, "re");
    if (file == NULL)
        return 0;
    status[fread(status, 1, sizeof status - 1, file)] = '\0';
    fclose(file);
    return strstr(status, ") Z ") == NULL;
}

static void test_time_limit(void **state)
{
    struct hf_error error = {0};
    void *opened = open_part("hang", 0.5);
    double began_s = now_s();

    (void)state;
    assert_int_equal(apply(opened, 0, 8, &error), HF_E_MISSING);
    assert_non_null(strstr(error.message, "did not end within 0.5 s and was killed"));
    assert_true(now_s() - began_s >= 0.5 && now_s() - began_s < 3);
    nap(0.1);
    assert_false(is_alive("child")); /* with all that it started */
    hf_driver_command.close(opened);
}

/* Something that it left behind holds the pipes: the answer counts when the program has ended. */
static void test_child_left_behind(void **state)
{
    struct hf_error error = {0};
    void *opened = open_part("leaves-a-child", 4);
    double began_s = now_s();

    (void)state;
    assert_int_equal(apply(opened, 0, 8, &error), HF_OK);
    assert_true(now_s() - began_s < 3);
    assert_true(is_alive("child"));
    hf_driver_command.close(opened);
}

/* A question that nobody reads breaks a pipe, not us. */
static void test_deaf(void **state)
{
    struct sigaction standard = {.sa_handler = SIG_DFL};
    struct hf_error error = {0};
    void *opened = open_part("deaf", 5);

    (void)state;
    sigaction(SIGPIPE, &standard, NULL);
    for (int i = 0; i < 5; i++)
        assert_int_equal(apply(opened, 0, 8, &error), HF_OK);
    hf_driver_command.close(opened);
}

static void test_words(void **state)
{
    struct hf_error error = {0};
    struct hf_text said;
    void *opened = open_part("words", 5);

    (void)state;
    hf_text_init(&said, 65536);
    assert_int_equal(apply(opened, 0, 8, &error), HF_OK);
    hf_driver_command.take_words(opened, &said);
    assert_string_equal(said.bytes, "first line\nsecond line\n");
    hf_text_clear(&said);
    hf_driver_command.take_words(opened, &said);
    assert_int_equal(said.size, 0);
    hf_text_release(&said);
    hf_driver_command.close(opened);
}

static void test_open_and_gate(void **state)
{
    struct hf_error error = {0};
    void *opened = open_part("echo", 5);
    void *none = NULL;

    (void)state;
    keep("question", "untouched");
    assert_int_equal(apply(opened, 0, 21, &error), HF_E_REFUSED);
    hf_error_clear(&error);
    hf_driver_command.close(opened);
    words[0] = "/nonexistent/tool";
    assert_int_equal(hf_driver_command.open(&config, &none, &error), HF_E_MISSING);
    assert_non_null(strstr(error.message, "/nonexistent/tool cannot be run"));
    hf_error_clear(&error);
    config.command_count = 0;
    assert_int_equal(hf_driver_command.open(&config, &none, &error), HF_E_MISSING);
    assert_null(none);
}

/* The program that people are to copy. */
static void test_program_in_profiles(void **state)
{
    static const char *const program[] = {HOLDFAST_SOURCE_DIR "/profiles/command-driver.sh", folder, NULL};
    struct hf_error error = {0};
    void *opened = NULL;
    char kept[32];
    int step = -1;

    (void)state;
    hf_driver_command.close(open_part("echo", 5)); /* fills the configuration in */
    config.command = program;
    config.command_count = 2;
    assert_int_equal(hf_driver_command.open(&config, &opened, &error), HF_OK);
    assert_int_equal(hf_driver_command.read_back(opened, 1, &step, &error),
                     HF_E_MISSING); /* nothing set yet */
    assert_non_null(strstr(error.message, "the ratio cannot be read"));
    hf_error_clear(&error);
    if (apply(opened, 1, 9, &error) != HF_OK)
        fail_msg("%s", error.message);
    read_kept("g1", kept, sizeof kept);
    assert_string_equal(kept, "32.25\n");
    assert_int_equal(apply(opened, 0, 4, &error), HF_OK);
    assert_int_equal(hf_driver_command.read_back(opened, 1, &step, &error), HF_OK);
    assert_int_equal(step, 9);
    assert_int_equal(hf_driver_to_baseline(&hf_driver_command, opened, &config, &error), HF_OK);
    assert_int_equal(hf_driver_command.read_back(opened, 1, &step, &error), HF_OK);
    assert_int_equal(step, 4);
    hf_driver_command.close(opened);
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_question_and_answer),
        cmocka_unit_test(test_faults),
        cmocka_unit_test(test_time_limit),
        cmocka_unit_test(test_child_left_behind),
        cmocka_unit_test(test_deaf),
        cmocka_unit_test(test_words),
        cmocka_unit_test(test_open_and_gate),
        cmocka_unit_test(test_program_in_profiles),
    };
    char command[PATH_MAX];
    int failed;

    if (argc == 3 && strcmp(argv[1], "play") == 0)
        return play(argv[2]);
    if (realpath("/proc/self/exe", self) == NULL || mkdtemp(folder) == NULL ||
        setenv("COMMAND_TEST_FOLDER", folder, 1) != 0)
        return 1;
    failed = cmocka_run_group_tests(tests, NULL, NULL);
    snprintf(command, sizeof command, "rm -rf %s", folder);
    return system(command) != 0 || failed;
}
