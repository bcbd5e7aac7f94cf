/*
 * Runs an emulated machine and acts on what its console says.
 *
 *   emulate --log FILE --limit SECONDS [--after SECONDS COMMAND]... [--when PATTERN COMMAND]... --
 * qemu-system-x86_64 ...
 *
 * Every console line goes to FILE with the seconds since the start in front. When a line matches PATTERN
 * (POSIX extended regular expression), COMMAND goes to the emulator's monitor; each --when fires once, those
 * of one pattern in their order. --after fires once, so long after the start. The emulator's console must be
 * its standard output; this program adds -monitor.
 *
 * Exit status: 0 the machine powered off by itself; 1 it was still running at the limit (and was ended); 2
 * bad usage, or the emulator could not be run.
 */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <regex.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define RULES_MAX     64
#define LINE_MAX_SIZE 4096

struct rule {
    regex_t pattern;
    const char *pattern_text; /* NULL: fires at a time */
    const char *command;
    double after_s;
    int fired;
};

struct machine {
    struct rule rule[RULES_MAX];
    int rule_count;
    const char *log_path;
    double limit_s;
    char **command;
    char monitor_path[sizeof((struct sockaddr_un *)0)->sun_path];
    FILE *log;
    int console;
    int monitor;
    pid_t pid;
    struct timespec started;
    char line[LINE_MAX_SIZE];
    size_t size;
};

static int usage(const char *words)
{
    fprintf(stderr, "emulate: %s\n", words);
    exit(2);
}

static double seconds(const struct machine *machine)
{
    struct timespec now;

    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)(now.tv_sec - machine->started.tv_sec) +
           (double)(now.tv_nsec - machine->started.tv_nsec) * 1e-9;
}

/* --- arguments --- */

static struct rule *new_rule(struct machine *machine, const char *command)
{
    struct rule *rule = &machine->rule[machine->rule_count];

    if (machine->rule_count == RULES_MAX)
        usage("too many rules");
    machine->rule_count++;
    rule->command = command;
    return rule;
}

static void add_pattern(struct machine *machine, const char *pattern, const char *command)
{
    struct rule *rule = new_rule(machine, command);

    rule->pattern_text = pattern;
    if (regcomp(&rule->pattern, pattern, REG_EXTENDED | REG_NOSUB) != 0)
        usage("a pattern is no regular expression");
}

static void read_arguments(struct machine *machine, int argc, char **argv)
{
    int i = 1;

    for (; i < argc && strcmp(argv[i], "--") != 0; i++) {
        if (strcmp(argv[i], "--log") == 0 && i + 1 < argc) {
            machine->log_path = argv[++i];
        } else if (strcmp(argv[i], "--limit") == 0 && i + 1 < argc) {
            machine->limit_s = strtod(argv[++i], NULL);
        } else if (strcmp(argv[i], "--when") == 0 && i + 2 < argc) {
            add_pattern(machine, argv[i + 1], argv[i + 2]);
            i += 2;
        } else if (strcmp(argv[i], "--after") == 0 && i + 2 < argc) {
            new_rule(machine, argv[i + 2])->after_s = strtod(argv[i + 1], NULL);
            i += 2;
        } else {
            usage("--log FILE --limit SECONDS [--after SECONDS COMMAND]... [--when PATTERN COMMAND]... -- "
                  "EMULATOR ...");
        }
    }
    if (i + 1 >= argc || machine->log_path == NULL || machine->limit_s <= 0)
        usage("--log, --limit and the emulator's command are needed");
    machine->command = &argv[i + 1];
}

/* --- the emulator --- */

static void start(struct machine *machine, int extra)
{
    char argument[sizeof machine->monitor_path + 32];
    int ends[2];
    int count = 0;
    char **command;

    (void)snprintf(machine->monitor_path, sizeof machine->monitor_path, "/tmp/emulate-%d", (int)getpid());
    (void)snprintf(argument, sizeof argument, "unix:%s,server=on,wait=off", machine->monitor_path);
    while (machine->command[count] != NULL)
        count++;
    command = calloc((size_t)(count + extra + 1), sizeof *command);
    if (command == NULL || pipe2(ends, O_CLOEXEC) != 0)
        usage("no memory or no pipe");
    memcpy(command, machine->command, (size_t)count * sizeof *command);
    command[count] = (char[]){"-monitor"};
    command[count + 1] = argument;
    machine->pid = fork();
    if (machine->pid == 0) {
        (void)dup2(ends[1], STDOUT_FILENO);
        (void)dup2(open("/dev/null", O_RDONLY), STDIN_FILENO);
        (void)dup2(open("/dev/null", O_WRONLY),
                   STDERR_FILENO); /* warnings about features that software lacks */
        (void)execvp(command[0], command);
        _exit(127);
    }
    (void)close(ends[1]);
    free(command);
    machine->console = ends[0];
}

static void tell_monitor(struct machine *machine, const char *words)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    char ignored[4096];

    if (machine->monitor < 0) {
        (void)snprintf(address.sun_path, sizeof address.sun_path, "%s", machine->monitor_path);
        machine->monitor = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
        if (connect(machine->monitor, (struct sockaddr *)&address, sizeof address) != 0)
            fprintf(stderr, "emulate: cannot reach the monitor: %s\n", strerror(errno));
    }
    while (recv(machine->monitor, ignored, sizeof ignored, MSG_DONTWAIT) > 0) {
    }
    fprintf(machine->log, "%8.2f [monitor] %s\n", seconds(machine), words);
    if (dprintf(machine->monitor, "%s\n", words) < 0)
        fprintf(stderr, "emulate: cannot write to the monitor: %s\n", strerror(errno));
}

/* --- lines --- */

static void take_line(struct machine *machine)
{
    const char *seen = NULL; /* the pattern that has fired for this line */

    machine->line[machine->size] = '\0';
    while (machine->size > 0 && machine->line[machine->size - 1] == '\r')
        machine->line[--machine->size] = '\0';
    fprintf(machine->log, "%8.2f %s\n", seconds(machine), machine->line);
    (void)fflush(machine->log);
    for (int i = 0; i < machine->rule_count; i++) {
        struct rule *rule = &machine->rule[i];

        if (rule->fired || rule->pattern_text == NULL ||
            (seen != NULL && strcmp(seen, rule->pattern_text) == 0) ||
            regexec(&rule->pattern, machine->line, 0, NULL, 0) != 0)
            continue;
        seen = rule->pattern_text;
        rule->fired = 1;
        tell_monitor(machine, rule->command);
    }
    machine->size = 0;
}

static int read_console(struct machine *machine)
{
    char bytes[4096];
    ssize_t count = read(machine->console, bytes, sizeof bytes);

    if (count <= 0)
        return 0;
    for (ssize_t i = 0; i < count; i++) {
        if (bytes[i] == '\n' || machine->size == sizeof machine->line - 1)
            take_line(machine);
        else
            machine->line[machine->size++] = bytes[i];
    }
    return 1;
}

static void fire_timed(struct machine *machine)
{
    for (int i = 0; i < machine->rule_count; i++) {
        struct rule *rule = &machine->rule[i];

        if (rule->fired || rule->pattern_text != NULL || seconds(machine) < rule->after_s)
            continue;
        rule->fired = 1;
        tell_monitor(machine, rule->command);
    }
}

static int run(struct machine *machine)
{
    int status;

    for (;;) {
        struct pollfd console = {.fd = machine->console, .events = POLLIN};

        if (poll(&console, 1, 50) > 0 && !read_console(machine))
            break;
        fire_timed(machine);
        if (seconds(machine) < machine->limit_s)
            continue;
        (void)kill(machine->pid, SIGKILL);
        (void)waitpid(machine->pid, &status, 0);
        fprintf(machine->log, "%8.2f [limit] still running, ended\n", seconds(machine));
        return 1;
    }
    if (machine->size > 0)
        take_line(machine);
    (void)waitpid(machine->pid, &status, 0);
    return WIFEXITED(status) && WEXITSTATUS(status) == 0 ? 0 : 2;
}

int main(int argc, char **argv)
{
    static struct machine machine = {.monitor = -1};
    int status;

    read_arguments(&machine, argc, argv);
    machine.log = fopen(machine.log_path, "w");
    if (machine.log == NULL)
        usage("the log cannot be written");
    (void)signal(SIGPIPE, SIG_IGN);
    (void)clock_gettime(CLOCK_MONOTONIC, &machine.started);
    start(&machine, 2);
    status = run(&machine);
    (void)unlink(machine.monitor_path);
    (void)fclose(machine.log);
    return status;
}
