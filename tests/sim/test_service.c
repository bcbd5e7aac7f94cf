/*
 * The search as a service: this program stands in for the service manager. It listens on the notify socket
 * while a short search runs, and after it has finished; protocol: systemd, sd_notify(3).
 */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define INTERVAL_S 1.5 /* WatchdogSec of this test: we must hear within it, always */
#define LIMIT_S    60

static const char profile[] =
    "{\"format\":1,\"name\":\"tern\",\"base_clock_mhz\":100,\"ratio\":{\"lowest\":34,\"highest\":36.5,"
    "\"step\":0.25,\"baseline\":36},\"groups\":[{\"name\":\"g0\",\"cpus\":\"0\"},{\"name\":\"g1\",\"cpus\":"
    "\"1\"}],\"driver\":\"rig\",\"temperature\":{\"limit_c\":95},\"mix\":\"quick\",\"search\":{\"method\":"
    "\"bisect\",\"claim_hours\":1,\"confidence\":0.9,\"soak_hours\":1,\"baseline_minutes\":2,\"seed\":"
    "\"1\"},\"rig\":{\"seed\":\"7\",\"clock_factor\":3000}}";

static struct {
    char directory[64];
    char socket_path[96];
    char profile_path[96];
    char run[96];
    int socket;
} place;

static struct {
    int ready, watchdog, status, finished, stopping;
    int first_is_ready, after_stopping;
    double longest_silence_s; /* from READY to STOPPING */
    double ready_s;
} heard;

static double now_s(void)
{
    struct timespec now;

    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

static void make_place(void)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    FILE *file;

    (void)snprintf(place.directory, sizeof place.directory, "/tmp/holdfast-service-XXXXXX");
    if (mkdtemp(place.directory) == NULL)
        exit(1);
    (void)snprintf(place.socket_path, sizeof place.socket_path, "%s/notify", place.directory);
    (void)snprintf(place.profile_path, sizeof place.profile_path, "%s/tern.json", place.directory);
    (void)snprintf(place.run, sizeof place.run, "%s/run", place.directory);
    file = fopen(place.profile_path, "w");
    if (file == NULL || fputs(profile, file) < 0 || fclose(file) != 0)
        exit(1);
    place.socket = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    (void)snprintf(address.sun_path, sizeof address.sun_path, "%s", place.socket_path);
    if (place.socket < 0 || bind(place.socket, (struct sockaddr *)&address, sizeof address) != 0)
        exit(1);
}

static void remove_place(void)
{
    char command[128];

    (void)snprintf(command, sizeof command, "rm -rf '%s'", place.directory);
    if (system(command) != 0)
        fprintf(stderr, "%s is left behind\n", place.directory);
}

static pid_t start_search(void)
{
    char pid_text[24];
    pid_t pid = fork();
    int null;

    if (pid != 0)
        return pid;
    (void)snprintf(pid_text, sizeof pid_text, "%d", (int)getpid());
    (void)setenv("NOTIFY_SOCKET", place.socket_path, 1);
    (void)setenv("WATCHDOG_USEC", "1500000", 1);
    (void)setenv("WATCHDOG_PID", pid_text, 1);
    null = open("/dev/null", O_RDWR);
    (void)dup2(null, STDOUT_FILENO);
    (void)execl(HOLDFAST_BINARY, "holdfast", "search", "--profile", place.profile_path, "--run", place.run,
                "--lines", (char *)NULL);
    _exit(127);
}

static void take_line(const char *line, int first)
{
    int ready = strcmp(line, "READY=1") == 0;

    heard.ready += ready;
    heard.first_is_ready |= ready && first;
    heard.watchdog += strcmp(line, "WATCHDOG=1") == 0;
    heard.status += strncmp(line, "STATUS=tern: ", 13) == 0;
    heard.finished += strcmp(line, "STATUS=the search is finished") == 0;
    heard.stopping += strcmp(line, "STOPPING=1") == 0;
}

static void take_message(double *last_s)
{
    static int count;
    char bytes[1024];
    ssize_t size = recv(place.socket, bytes, sizeof bytes - 1, MSG_DONTWAIT);
    char *rest = bytes;

    if (size <= 0)
        return;
    bytes[size] = '\0';
    if (heard.ready > 0 && heard.stopping == 0 && now_s() - *last_s > heard.longest_silence_s)
        heard.longest_silence_s = now_s() - *last_s;
    *last_s = now_s();
    heard.after_stopping += heard.stopping > 0;
    for (char *line = strsep(&rest, "\n"); line != NULL; line = strsep(&rest, "\n"))
        take_line(line, count == 0);
    count++;
}

/* Listens until the search ends; its exit status, -1 at the limit. */
static int listen_to_search(void)
{
    pid_t pid;
    double began_s = now_s();
    double last_s = began_s;
    int status = 0;

    memset(&heard, 0, sizeof heard);
    pid = start_search();
    for (;;) {
        struct pollfd fd = {.fd = place.socket, .events = POLLIN};

        if (poll(&fd, 1, 50) > 0)
            take_message(&last_s);
        else if (waitpid(pid, &status, WNOHANG) == pid)
            return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
        if (now_s() - began_s > LIMIT_S) {
            (void)kill(pid, SIGKILL);
            (void)waitpid(pid, &status, 0);
            return -1;
        }
    }
}

static int expect(const char *what, int holds)
{
    printf("%-76s %s\n", what, holds ? "yes" : "NO");
    return !holds;
}

int main(void)
{
    int failed = 0;

    make_place();
    failed += expect("the search ends with status 0", listen_to_search() == 0);
    printf("READY %d, WATCHDOG %d, STATUS %d, STOPPING %d; longest silence %.2f s\n", heard.ready,
           heard.watchdog, heard.status, heard.stopping, heard.longest_silence_s);
    failed += expect("the first word is READY=1, once", heard.first_is_ready && heard.ready == 1);
    failed += expect("signs of life within the watchdog's interval, always",
                     heard.watchdog >= 3 && heard.longest_silence_s < INTERVAL_S);
    failed += expect("with a status of trials and resets", heard.status >= 3);
    failed += expect("the last word is STOPPING=1, once", heard.stopping == 1 && heard.after_stopping == 0);
    failed += expect("a search that is finished already ends with status 0", listen_to_search() == 0);
    failed += expect("and says READY, finished, STOPPING and nothing more",
                     heard.ready == 1 && heard.finished == 1 && heard.stopping == 1 && heard.watchdog == 0);
    (void)close(place.socket);
    remove_place();
    return failed > 0;
}
