#include "holdfast/reset.h"

#include <fcntl.h>
#include <sched.h>
#include <stdio.h>
#include <string.h>
#include <sys/types.h>
#include <termios.h>
#include <unistd.h>

#include "machine/files.h"

#define WORD "holdfast.reset="

static const char *const names[HF_RESET_COUNT] = {"none", "reboot", "panic", "spin", "wait", "mixed"};

enum hf_reset hf_reset_of_command_line(const char *command_line)
{
    const char *word = strstr(command_line, WORD);

    if (word == NULL || (word != command_line && word[-1] != ' '))
        return HF_RESET_NONE;
    word += strlen(WORD);
    for (int kind = HF_RESET_REBOOT; kind < HF_RESET_COUNT; kind++) {
        size_t length = strlen(names[kind]);

        if (strncmp(word, names[kind], length) == 0 && strchr(" \n", word[length]) != NULL)
            return (enum hf_reset)kind;
    }
    return HF_RESET_NONE;
}

enum hf_reset hf_reset_turn(enum hf_reset kind, unsigned long number)
{
    static const enum hf_reset turns[] = {HF_RESET_REBOOT, HF_RESET_PANIC, HF_RESET_SPIN, HF_RESET_WAIT};

    return kind == HF_RESET_MIXED ? turns[(number + 3) % 4] : kind;
}

static void put(const char *path, const char *text)
{
    int fd = open(path, O_WRONLY | O_CLOEXEC);

    if (fd < 0)
        return;
    (void)!write(fd, text, strlen(text));
    (void)close(fd);
}

/* Every CPU gets a child that never yields, of the highest real-time priority and without the kernel's safety
 * margin for ordinary tasks; this process gets one too. */
static void spin(void)
{
    const struct sched_param highest = {.sched_priority = 99};
    long cpus = sysconf(_SC_NPROCESSORS_ONLN);

    put("/proc/sys/kernel/sched_rt_runtime_us", "-1");
    for (long cpu = 0; cpu < cpus; cpu++) {
        cpu_set_t set;

        if (fork() != 0)
            continue;
        CPU_ZERO(&set);
        CPU_SET((size_t)cpu, &set);
        (void)sched_setaffinity(0, sizeof set, &set);
        if (sched_setscheduler(0, SCHED_FIFO, &highest) != 0)
            _exit(0);
        for (;;) {
        }
    }
}

int hf_reset_witness_open(void)
{
    static const char word[] = " holdfast.witness=";
    char command_line[4096];
    char path[64] = "/dev/";
    struct termios terminal;
    const char *found;
    size_t length;
    int fd;

    if (hf_file_start(NULL, "/proc/cmdline", command_line, sizeof command_line) < 0)
        return -1;
    found = strstr(command_line, word);
    if (found == NULL)
        return -1;
    found += sizeof word - 1;
    length = strcspn(found, " /\n");
    if (length == 0 || length + sizeof "/dev/" > sizeof path)
        return -1;
    memcpy(path + strlen(path), found, length);
    fd = open(path, O_WRONLY | O_NOCTTY | O_CLOEXEC);
    if (fd >= 0 && tcgetattr(fd, &terminal) == 0) {
        cfmakeraw(&terminal);
        (void)cfsetspeed(&terminal, B115200);
        (void)tcsetattr(fd, TCSANOW, &terminal);
    }
    return fd;
}

void hf_reset_witness_say(int fd, const char *line)
{
    if (fd < 0)
        return;
    (void)!write(fd, line, strlen(line));
    (void)tcdrain(fd);
}

void hf_reset_witness_close(int fd)
{
    if (fd >= 0)
        (void)close(fd);
}

void hf_reset_here(unsigned long number)
{
    char command_line[4096];
    enum hf_reset kind;

    if (hf_file_start(NULL, "/proc/cmdline", command_line, sizeof command_line) < 0)
        return;
    kind = hf_reset_turn(hf_reset_of_command_line(command_line), number);
    if (kind == HF_RESET_NONE)
        return;
    fprintf(stderr, "reset %lu: %s\n", number, names[kind]);
    (void)tcdrain(STDERR_FILENO); /* or the console never says it */

    if (kind == HF_RESET_REBOOT)
        put("/proc/sysrq-trigger", "b");
    else if (kind == HF_RESET_PANIC)
        put("/proc/sysrq-trigger", "c");
    else if (kind == HF_RESET_SPIN)
        spin();
    for (;;)
        (void)pause();
}
