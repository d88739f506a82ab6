/* A controller as a process: the lines of BENCH.md on stdin and stdout, in a time that only `run` lets pass. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#ifdef _WIN32
#include <fcntl.h>
#include <io.h>
#endif

#include "dw_engine.h"
#include "host.h"
#include "machine.h"

#define LINE_LIMIT (1u << 20)

static char line[LINE_LIMIT];
static uint32_t first_tick;
static uint32_t now;     /* the tick decided last */
static uint64_t elapsed; /* ticks since the process began, over resets */
static bool has_power;
static signed char shown[DW_OUTPUTS]; /* level told last, -1: none yet */

static void forget_levels(void)
{
    memset(shown, -1, sizeof shown);
}

/* Tells the levels of the pins that are not what they were. */
static void tell_edges(uint32_t tick)
{
    unsigned output;

    for (output = 0; output < DW_OUTPUTS; output++) {
        bool level;

        if (host_output_level(output, &level) && shown[output] != (signed char)level) {
            shown[output] = (signed char)level;
            (void)printf("edge %lu %u %d\n", (unsigned long)tick, output, level ? 1 : 0);
        }
    }
}

/* Tells what was sent; true when a frame ended in it. */
static bool tell_sent(void)
{
    uint8_t bytes[1024];
    bool frame_ended = false;
    size_t count;

    while ((count = host_take_sent(bytes, sizeof bytes)) != 0) {
        size_t i;

        (void)fputs("tx ", stdout);
        for (i = 0; i < count; i++) {
            (void)printf("%02x", bytes[i]);
            frame_ended = frame_ended || bytes[i] == 0;
        }
        (void)putchar('\n');
    }
    return frame_ended;
}

static bool run(uint32_t ticks, bool until_sent)
{
    while (ticks != 0) {
        ticks--;
        elapsed++;
        if (has_power) {
            has_power = host_run(dw_tick);
            tell_edges(now);
        }
        now++;
        if (has_power) {
            has_power = host_run(dw_poll);
            if (tell_sent() && until_sent) {
                break;
            }
        }
    }
    return true;
}

static void reset(uint8_t cause)
{
    now = first_tick;
    forget_levels();
    has_power = host_restart(first_tick, cause);
}

/* The kinds of resets that a simulated board knows too. */
static bool reset_by(const char *kind)
{
    if (*kind == '\0' || strcmp(kind, "power") == 0) {
        reset(DW_CAUSE_POWER);
    } else if (strcmp(kind, "watchdog") == 0) {
        reset(DW_CAUSE_WATCHDOG);
    } else if (strcmp(kind, "dtr") == 0) {
        reset(DW_CAUSE_RESET_LINE);
    } else {
        return false;
    }
    return true;
}

static int hex_digit(char c)
{
    const char *digits = "0123456789abcdef";
    const char *found = strchr(digits, c >= 'A' && c <= 'F' ? c - 'A' + 'a' : c);

    return c == '\0' || found == NULL ? -1 : (int)(found - digits);
}

/* Lets the main loop go round until it has read all that arrived: each time it answers one request. */
static void let_read(void)
{
    do {
        has_power = host_run(dw_poll);
        (void)tell_sent();
    } while (has_power && host_waiting() != 0);
}

/* Bytes arrive all at once; the engine looks whenever its buffer is full, and at the end. */
static bool receive(const char *hex)
{
    size_t length = strlen(hex);
    size_t i;

    if (length % 2 != 0 || strspn(hex, "0123456789abcdefABCDEF") != length) {
        return false;
    }
    for (i = 0; has_power && i < length; i += 2) {
        uint8_t byte = (uint8_t)(hex_digit(hex[i]) * 16 + hex_digit(hex[i + 1]));

        if (!host_arrive(byte)) {
            let_read();
            if (has_power && !host_arrive(byte)) {
                return false;
            }
        }
    }
    if (has_power) {
        let_read();
    }
    return true;
}

/* A decimal number up to `most`; moves the text behind it and one space. */
static bool number(char **text, unsigned long most, unsigned long *value)
{
    char *end;

    if (**text < '0' || **text > '9') {
        return false;
    }
    errno = 0;
    *value = strtoul(*text, &end, 10);
    if (errno != 0 || *value > most || (*end != '\0' && *end != ' ')) {
        return false;
    }
    *text = *end == ' ' ? end + 1 : end;
    return true;
}

static bool set_input(char *text)
{
    unsigned long index;
    unsigned long level;

    return number(&text, 255, &index) && number(&text, 1, &level) && *text == '\0' &&
           host_set_input((unsigned)index, level != 0);
}

static bool run_ticks(char *text, bool until_sent)
{
    unsigned long ticks;

    return number(&text, 0xFFFFFFFFul, &ticks) && *text == '\0' && run((uint32_t)ticks, until_sent);
}

static bool cut_write(char *text)
{
    unsigned long nth;

    if (!number(&text, 0xFFFFFFFFul, &nth)) {
        return false;
    }
    if (strcmp(text, "old") == 0) {
        host_cut_power((uint32_t)nth, HOST_OLD);
    } else if (strcmp(text, "new") == 0) {
        host_cut_power((uint32_t)nth, HOST_NEW);
    } else if (strlen(text) == 2 && hex_digit(text[0]) >= 0 && hex_digit(text[1]) >= 0) {
        host_cut_power((uint32_t)nth, hex_digit(text[0]) * 16 + hex_digit(text[1]));
    } else {
        return false;
    }
    return true;
}

/* NULL when it was done, else what is wrong with it. */
static const char *obey(char *command)
{
    char *space = strchr(command, ' ');
    char *rest = space == NULL ? command + strlen(command) : space + 1;

    if (space != NULL) {
        *space = '\0';
    }
    if (strcmp(command, "rx") == 0) {
        return receive(rest) ? NULL : "rx wants bytes as pairs of hex digits";
    }
    if (strcmp(command, "in") == 0) {
        return set_input(rest) ? NULL : "in wants the index of an input of this machine and 0 or 1";
    }
    if (strcmp(command, "run") == 0) {
        return run_ticks(rest, false) ? NULL : "run wants a number of ticks";
    }
    if (strcmp(command, "until") == 0) {
        return run_ticks(rest, true) ? NULL : "until wants a number of ticks";
    }
    if (strcmp(command, "cutwrite") == 0) {
        return cut_write(rest) ? NULL : "cutwrite wants which write from now (1: the next, 0: none) and old, new or two hex digits";
    }
    if (strcmp(command, "reset") == 0) {
        return reset_by(rest) ? NULL : "reset wants power, watchdog, dtr, or nothing: then power";
    }
    return "no such command";
}

/* Answers line after line until `quit` or the end of the input. */
static int serve(void)
{
    reset(DW_CAUSE_POWER);
    while (fgets(line, sizeof line, stdin) != NULL) {
        size_t length = strcspn(line, "\r\n");
        bool whole = line[length] != '\0' || feof(stdin);
        const char *trouble;

        line[length] = '\0';
        if (strcmp(line, "quit") == 0) {
            break;
        }
        trouble = whole ? obey(line) : "line too long";
        if (trouble == NULL) {
            (void)printf("ok %lu %llu\n", (unsigned long)now, (unsigned long long)elapsed);
        } else {
            (void)printf("error %s\n", trouble);
        }
        if (fflush(stdout) != 0) {
            return 3;
        }
    }
    return 0;
}

static int refuse(const char *what, const char *about)
{
    (void)fprintf(stderr, "%s%s\nusage: [--tick0 N] [--store FILE] [--pty [--ppm N]]\n", what, about);
    return 2;
}

/* A clock error in millionths, at most a tenth either way. */
static bool clock_error(char *text, int32_t *ppm)
{
    bool slow = *text == '-';
    unsigned long size;

    text += slow ? 1 : 0;
    if (!number(&text, 100000, &size) || *text != '\0') {
        return false;
    }
    *ppm = slow ? -(int32_t)size : (int32_t)size;
    return true;
}

int main(int argc, char **argv)
{
    const char *store_file = NULL;
    bool on_pty = false;
    int32_t ppm = 0;
    int result;
    int i;

#ifdef _WIN32
    (void)_setmode(_fileno(stdin), _O_BINARY);
    (void)_setmode(_fileno(stdout), _O_BINARY);
#endif
    for (i = 1; i < argc; i++) {
        char *value = i + 1 < argc ? argv[i + 1] : NULL;
        unsigned long tick;

        if (strcmp(argv[i], "--pty") == 0) {
            on_pty = true;
        } else if (strcmp(argv[i], "--tick0") == 0 && value != NULL && number(&value, 0xFFFFFFFFul, &tick)) {
            first_tick = (uint32_t)tick;
            i++;
        } else if (strcmp(argv[i], "--ppm") == 0 && value != NULL && clock_error(value, &ppm)) {
            i++;
        } else if (strcmp(argv[i], "--store") == 0 && value != NULL) {
            store_file = value;
            i++;
        } else {
            return refuse("not understood: ", argv[i]);
        }
    }
    if (store_file != NULL && !host_load_store(store_file)) {
        return refuse("not the image of a store: ", store_file);
    }
    result = on_pty ? host_serve_pty(first_tick, ppm) : serve();
    if (store_file != NULL && !host_save_store(store_file)) {
        return refuse("cannot be written to ", store_file);
    }
    return result;
}
