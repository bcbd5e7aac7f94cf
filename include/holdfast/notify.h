/*
 * Telling the service manager how we are: the sd_notify protocol, without its library.
 *
 * systemd passes the address of a datagram socket in NOTIFY_SOCKET and, when the unit has WatchdogSec, the
 * interval in WATCHDOG_USEC; a message is lines of NAME=value (systemd's sd_notify(3), an open protocol).
 * Without the variables every call does nothing.
 */
#ifndef HOLDFAST_NOTIFY_H
#define HOLDFAST_NOTIFY_H

#include <stdint.h>

#include "holdfast/error.h"

struct hf_notify {
    int fd;                /* -1: nobody listens */
    double watchdog_s;     /* the manager wants to hear from us at least this often; 0: it does not */
    char address[108];     /* sun_path, or its form for an abstract name */
    uint32_t address_size; /* bytes of it in use */
};

/* Reads the variables and removes them from the environment, so that workers do not inherit them. `pid` is
 * this process: WATCHDOG_PID of another one is not for us. HF_E_INPUT: the address is no socket address. */
int hf_notify_open(struct hf_notify *notify, int64_t pid, struct hf_error *error);

/* Sends the lines; a manager that does not listen any more is no failure of ours: 1 sent, 0 not. */
int hf_notify_send(const struct hf_notify *notify, const char *lines);

void hf_notify_close(struct hf_notify *notify);

#endif
