/* Real time on a pseudo terminal, where the system has them: for programs that can only open a serial port. */
#if defined(_WIN32)

#include <stdio.h>

#include "host.h"

int host_serve_pty(uint32_t tick, int32_t ppm)
{
    (void)tick;
    (void)ppm;
    (void)fputs("--pty: this system has no pseudo terminals; leave --pty away and speak over stdin and stdout\n", stderr);
    return 2;
}

#else

#define _XOPEN_SOURCE 600 /* NOLINT(bugprone-reserved-identifier,cert-dcl37-c,cert-dcl51-cpp): POSIX names it so */

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "dw_engine.h"
#include "host.h"
#include "machine.h"

static volatile sig_atomic_t asked_to_end;

static void end_soon(int signal_number)
{
    (void)signal_number;
    asked_to_end = 1;
}

/* The controller's end of a terminal that passes every byte as it is; -1 when there is none. */
static int open_terminal(void)
{
    struct termios settings;
    const char *name;
    int controller = posix_openpt(O_RDWR | O_NOCTTY);
    int other;

    if (controller < 0 || grantpt(controller) != 0 || unlockpt(controller) != 0 || (name = ptsname(controller)) == NULL) {
        return -1;
    }
    /* kept open, so that the line does not hang up whenever a program closes it */
    other = open(name, O_RDWR | O_NOCTTY);
    if (other < 0 || tcgetattr(other, &settings) != 0) {
        return -1;
    }
    settings.c_iflag = 0;
    settings.c_oflag = 0;
    settings.c_lflag = 0;
    settings.c_cflag |= CS8;
    if (tcsetattr(other, TCSANOW, &settings) != 0 || fcntl(controller, F_SETFL, O_NONBLOCK) < 0) {
        return -1;
    }
    (void)printf("pty %s\n", name);
    return fflush(stdout) == 0 ? controller : -1;
}

/* Passes on what arrived. */
static void receive(int terminal)
{
    uint8_t bytes[256];
    ssize_t count = read(terminal, bytes, sizeof bytes);
    ssize_t i;

    for (i = 0; i < count; i++) {
        (void)host_arrive(bytes[i]); /* a byte without room is lost, as on a wire */
    }
}

/* A byte that nobody reads is lost, as on a wire. */
static void transmit(int terminal)
{
    uint8_t bytes[256];
    size_t count;

    while ((count = host_take_sent(bytes, sizeof bytes)) != 0) {
        if (write(terminal, bytes, count) < 0 && errno != EAGAIN) {
            return;
        }
    }
}

static int64_t microseconds(void)
{
    struct timespec at;

    (void)clock_gettime(CLOCK_MONOTONIC, &at);
    return (int64_t)at.tv_sec * 1000000 + at.tv_nsec / 1000;
}

/* Microseconds until so many ticks have passed, rounded only once, so that the rate is exact over any time. */
static int64_t ticks_take(int64_t ticks, int32_t ppm)
{
    const int64_t whole = 1000000 + (int64_t)ppm;

    return ticks * DW_TICK_US / whole * 1000000 + ticks * DW_TICK_US % whole * 1000000 / whole;
}

/* Ticks follow the clock: after a delay they are made up for, so that their number stays right. */
int host_serve_pty(uint32_t tick, int32_t ppm)
{
    struct pollfd line = { -1, POLLIN, 0 };
    int64_t start;
    int64_t next;
    int64_t ticks = 0;

    line.fd = open_terminal();
    if (line.fd < 0) {
        perror("--pty: no pseudo terminal");
        return 3;
    }
    (void)signal(SIGINT, end_soon);
    (void)signal(SIGTERM, end_soon);
    if (!host_restart(tick, DW_CAUSE_POWER)) {
        return 3;
    }
    start = microseconds();
    next = start;
    while (!asked_to_end) {
        int64_t wait = next - microseconds();

        if (wait > 0) {
            (void)poll(&line, 1, (int)(wait / 1000 + 1));
        }
        if ((line.revents & POLLIN) != 0) {
            receive(line.fd);
        }
        while (next <= microseconds()) {
            dw_tick();
            ticks++;
            next = start + ticks_take(ticks, ppm);
        }
        do {
            dw_poll();
            transmit(line.fd);
        } while (host_waiting() != 0);
    }
    return 0;
}

#endif
