#include "holdfast/notify.h"

#include <errno.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

_Static_assert(sizeof((struct hf_notify *)0)->address == sizeof((struct sockaddr_un *)0)->sun_path,
               "a socket's name");

/* "/path" or "@name": the @ stands for the NUL that begins an abstract name. */
static int take_address(struct hf_notify *notify, const char *text, struct hf_error *error)
{
    size_t length = strlen(text);

    if ((text[0] != '/' && text[0] != '@') || length < 2 || length >= sizeof notify->address)
        return hf_fail(error, HF_E_INPUT,
                       "NOTIFY_SOCKET=\"%.100s\" is no address of a socket: /path or @name, at "
                       "most %zu bytes",
                       text, sizeof notify->address - 1);
    memcpy(notify->address, text, length);
    notify->address_size = (uint32_t)length;
    if (text[0] == '@')
        notify->address[0] = '\0';
    return HF_OK;
}

static double watchdog_seconds(int64_t pid)
{
    const char *interval = getenv("WATCHDOG_USEC");
    const char *whose = getenv("WATCHDOG_PID");
    double seconds = interval != NULL ? strtod(interval, NULL) * 1e-6 : 0;

    if (whose != NULL && strtoll(whose, NULL, 10) != pid)
        return 0;
    return seconds > 0 ? seconds : 0;
}

int hf_notify_open(struct hf_notify *notify, int64_t pid, struct hf_error *error)
{
    const char *address = getenv("NOTIFY_SOCKET");

    *notify = (struct hf_notify){.fd = -1};
    if (address == NULL)
        return HF_OK;
    if (take_address(notify, address, error) != HF_OK)
        return error->code;
    notify->watchdog_s = watchdog_seconds(pid);
    notify->fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (notify->fd < 0)
        return hf_fail_errno(error, errno, "cannot make a socket for the service manager");
    (void)unsetenv("NOTIFY_SOCKET");
    (void)unsetenv("WATCHDOG_USEC");
    (void)unsetenv("WATCHDOG_PID");
    return HF_OK;
}

int hf_notify_send(const struct hf_notify *notify, const char *lines)
{
    struct sockaddr_un to = {.sun_family = AF_UNIX};
    socklen_t size = (socklen_t)(offsetof(struct sockaddr_un, sun_path) + notify->address_size);

    if (notify->fd < 0)
        return 0;
    memcpy(to.sun_path, notify->address, notify->address_size);
    return sendto(notify->fd, lines, strlen(lines), MSG_NOSIGNAL, (const struct sockaddr *)&to, size) >= 0;
}

void hf_notify_close(struct hf_notify *notify)
{
    if (notify->fd >= 0)
        (void)close(notify->fd);
    notify->fd = -1;
}
