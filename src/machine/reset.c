#include "holdfast/reset.h"

#include <fcntl.h>
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <termios.h>
#include <unistd.h>

#include "machine/files.h"

#define WORD         "holdfast.reset="
#define WITNESS_WORD " holdfast.witness="
#define SECTOR       512

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

/* --- the witness --- */

/* "NAME" or "NAME@BYTE", up to the next blank. */
int hf_reset_witness_place(const char *command_line, char ret_path[HF_RESET_WITNESS_PATH],
                           int64_t *ret_offset)
{
    const char *text = strstr(command_line, WITNESS_WORD);
    int64_t offset = -1;
    size_t length;

    if (text == NULL)
        return 0;
    text += strlen(WITNESS_WORD);
    length = strcspn(text, " @/\n");
    if (length == 0 || length + sizeof "/dev/" > HF_RESET_WITNESS_PATH || text[length] == '/')
        return 0;
    if (text[length] == '@')
        offset = strtoll(text + length + 1, NULL, 10);
    if (text[length] == '@' &&
        (offset <= 0 || offset % SECTOR != 0)) /* 0: the beginning of a disk is taken */
        return 0;
    (void)snprintf(ret_path, HF_RESET_WITNESS_PATH, "/dev/%.*s", (int)length, text);
    *ret_offset = offset;
    return 1;
}

static void make_raw(int fd)
{
    struct termios terminal;

    if (tcgetattr(fd, &terminal) != 0)
        return;
    cfmakeraw(&terminal);
    (void)cfsetspeed(&terminal, B115200);
    (void)tcsetattr(fd, TCSANOW, &terminal);
}

void hf_reset_witness_open(struct hf_reset_witness *witness)
{
    char command_line[4096];
    char path[HF_RESET_WITNESS_PATH];

    *witness = (struct hf_reset_witness){.fd = -1, .offset = -1};
    if (hf_file_start(NULL, "/proc/cmdline", command_line, sizeof command_line) < 0)
        return;
    if (!hf_reset_witness_place(command_line, path, &witness->offset))
        return;
    witness->fd = open(path, O_WRONLY | O_NOCTTY | O_CLOEXEC | (witness->offset >= 0 ? O_DIRECT : 0));
    if (witness->fd >= 0 && witness->offset < 0)
        make_raw(witness->fd);
}

void hf_reset_witness_say(const struct hf_reset_witness *witness, const char *line)
{
    static _Alignas(4096) char sector[SECTOR];

    if (witness->fd < 0)
        return;
    if (witness->offset < 0) {
        (void)!write(witness->fd, line, strlen(line));
        (void)tcdrain(witness->fd);
        return;
    }
    memset(sector, 0, sizeof sector);
    (void)snprintf(sector, sizeof sector, "%s", line);
    (void)!pwrite(witness->fd, sector, sizeof sector, (off_t)witness->offset);
}

void hf_reset_witness_close(struct hf_reset_witness *witness)
{
    if (witness->fd >= 0)
        (void)close(witness->fd);
    witness->fd = -1;
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
