/* A simulated board as a child process: lines on stdin and stdout, time that moves only when asked.
 *
 * The lines stand in targets/BENCH.md. Arguments are key=value:
 *   mcu=NAME clock=HZ tick=MICROSECONDS vector=NUMBER elf=PATH      needed; vector: the tick's interrupt
 *   baud=BAUD ppm=PPM seed=NUMBER tell=0|1                           115200, 0, 1, 0; tell: also the events a plain rig has not
 *   store=PATH vcd=PATH      the EEPROM, read at the start if it is there and written at the end; the dump of the whole run
 *   out=PIN[:PULL][=NAME] in=PIN[=NAME]   in order; PIN is B3 or, for an output without one, -; NAME is for the dump
 */
#include <inttypes.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <simavr/sim_elf.h>

#include "board.h"

enum { MCUSR = 0x54, PORF = 1, EXTRF = 2, WDRF = 8, WDE = 8, MARK = 0x4B /* GPIOR2 */ };

board_t board;
static bool in_agenda, asleep;
static int entry_cycles;
static const char *reset_kind = "watchdog";
static void (*own_reset)(avr_t *avr);
static avr_watchdog_t *watchdog;

static void print_line(const char *format, va_list arguments) {
    serial_flush();
    vfprintf(board.control, format, arguments);
    fputc('\n', board.control);
}

void say(const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    print_line(format, arguments);
    va_end(arguments);
}

void tell(const char *format, ...) {
    if (!board.tells) return;
    va_list arguments;
    va_start(arguments, format);
    print_line(format, arguments);
    va_end(arguments);
}

/* Seeded, so that a run can be repeated (xorshift64*, as from memory). */
uint64_t draw(void) {
    board.random ^= board.random >> 12;
    board.random ^= board.random << 25;
    board.random ^= board.random >> 27;
    return board.random * 2685821657736338717u >> 16;
}

/* The tick at a cycle: the nearest to it, counted from the first tick interrupt by the clock alone, so that an
 * interrupt that is missed or late shows. The first interrupt writes tick 0 and decides tick 1. */
uint64_t tick_of(uint64_t cycle) {
    if (!board.first_tick) return 0;
    return (cycle - board.first_tick + board.tick_cycles / 2) / board.tick_cycles;
}

/* The last tick that was decided. */
uint64_t tick_now(void) {
    return board.first_tick ? 1 + (board.avr->cycle - board.first_tick) / board.tick_cycles : 0;
}

static int next_due(void) {
    int next = -1;
    for (int i = 0; i < DUE_COUNT; i++)
        if (board.due[i] && (next < 0 || board.due[i] < board.due[next])) next = i;
    return next;
}

static void run_due(int what) {
    switch (what) {
        case DUE_RX: serial_rx_due(); break;
        case DUE_TX: serial_tx_due(); break;
        case DUE_STORE: store_due(); break;
        case DUE_UNLOCK: store_unlock(); break;
        case DUE_PRESS: pins_press_due(); break;
        case DUE_STORM: pins_storm_due(); break;
        case DUE_CUT: schedule(DUE_CUT, 0); cut_power(); break;
        case DUE_WAKE: schedule(DUE_WAKE, 0); board.powered = true; break;
        default: schedule(what, 0); break; /* DUE_STOP only ends a batch of instructions */
    }
}

/* The one timer of libsimavr that this program owns: runs what is due, returns when it wants to run again. */
static avr_cycle_count_t agenda(avr_t *avr, avr_cycle_count_t when, void *param) {
    (void)when;
    (void)param;
    int next;
    in_agenda = true;
    while ((next = next_due()) >= 0 && board.due[next] <= avr->cycle) run_due(next);
    in_agenda = false;
    return next < 0 ? 0 : board.due[next];
}

static void arm(void) {
    int next = next_due();
    if (in_agenda || next < 0) return;
    uint64_t now = board.avr->cycle;
    avr_cycle_timer_register(board.avr, board.due[next] > now ? board.due[next] - now : 1, agenda, NULL);
}

void schedule(int what, uint64_t when) {
    board.due[what] = when;
    arm();
}

/* An interrupt costs the chip 4 cycles (5 with a 22-bit program counter) and 4 more out of sleep, of which
 * libsimavr has charged one. */
static void interrupt_runs(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    if (!value) return;
    avr_t *avr = board.avr;
    if ((intptr_t)param == board.tick_vector && !board.first_tick) board.first_tick = avr->cycle;
    uint64_t cost = (uint64_t)entry_cycles + (asleep ? 3 : 0);
    asleep = false;
    board.counts.interrupts++;
    avr->cycle += cost;
    avr->run_cycle_count = avr->run_cycle_count > cost ? avr->run_cycle_count - cost : 1;
}

static void mark(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    (void)param;
    avr->data[address] = value;
    tell("mark %" PRIu64 " %u", avr->cycle, value);
}

/* Runs inside libsimavr's reset, after the registers were cleared. */
static void reset_seen(avr_t *avr) {
    board.was_reset = true;
    board.first_tick = 0;
    tell("reset %" PRIu64 " %s", avr->cycle, reset_kind);
    pins_float();
    if (own_reset) own_reset(avr);
}

static void after_reset(void) {
    board.was_reset = false;
    board.avr->run_cycle_limit = 1000000; /* run whole stretches between two deadlines; a reset sets it to 1 */
    serial_reset();
    store_reset();
    pins_refresh();
    arm();
}

void cut_power(void) {
    tell("cut %" PRIu64, board.avr->cycle);
    pins_float();
    board.powered = false;
    schedule(DUE_TX, 0);
    schedule(DUE_STORE, 0);
    board.avr->run_cycle_count = 1;
}

/* power: memory becomes noise. watchdog: as if it had bitten. dtr: what opening a port does to many boards; the
 * bootloader has the chip for `hold` milliseconds and leaves no reason in MCUSR. */
bool reset(const char *kind, uint64_t hold) {
    avr_t *avr = board.avr;
    bool power = !strcmp(kind, "power"), dtr = !strcmp(kind, "dtr");
    if (!power && !dtr && strcmp(kind, "watchdog")) return false;
    if (power) schedule(DUE_STORE, 0);
    reset_kind = power ? "power" : dtr ? "dtr" : "watchdog";
    board.powered = true;
    asleep = false;
    avr_reset(avr);
    reset_kind = "watchdog";
    if (power)
        for (unsigned i = avr->ioend + 1u; i <= avr->ramend; i++) avr->data[i] = (uint8_t)draw();
    avr->data[MCUSR] = power ? PORF : 0;
    if (!power && !dtr) {
        avr->data[MCUSR] = WDRF;
        avr->data[watchdog->wde.reg] |= WDE;
        watchdog->cycle_count = 2048 * board.hz / 128000;
        avr_ioctl(avr, AVR_IOCTL_WATCHDOG_RESET, NULL);
    }
    after_reset();
    if (dtr && hold) {
        board.powered = false;
        schedule(DUE_WAKE, avr->cycle + hold * board.hz / 1000);
    }
    return true;
}

static void do_not_sleep(avr_t *avr, avr_cycle_count_t cycles) {
    (void)avr;
    (void)cycles;
}

/* The middle between two tick interrupts, at or after a cycle: the interrupt and what follows it in the main loop are
 * over. */
static uint64_t between_ticks(uint64_t cycle) {
    uint64_t middle = board.first_tick + board.tick_cycles / 2;
    if (cycle <= middle) return middle;
    return middle + (cycle - middle + board.tick_cycles - 1) / board.tick_cycles * board.tick_cycles;
}

static void run_processor(void) {
    avr_t *avr = board.avr;
    asleep = avr->state == cpu_Sleeping;
    avr_run(avr);
    if (board.was_reset) after_reset();
    if (avr->state == cpu_Crashed || avr->state == cpu_Done) { /* a bad instruction, or asleep with interrupts off */
        serial_flush();
        fflush(board.control);
        fprintf(stderr, "the processor stopped for ever at cycle %" PRIu64 ", address 0x%04x\n", avr->cycle, avr->pc);
        exit(3);
    }
}

/* Lets time pass with the processor held: no power, or the bootloader has it. */
static void pass_time(void) {
    int next = next_due();
    if (board.avr->cycle < board.due[next]) board.avr->cycle = board.due[next];
    agenda(board.avr, board.avr->cycle, NULL);
    if (board.powered) arm();
}

void run_to(uint64_t target) {
    while (board.avr->cycle < target) {
        if (board.due[DUE_STOP] != target) schedule(DUE_STOP, target);
        if (board.powered)
            run_processor();
        else
            pass_time();
        if (board.frame_end && board.first_tick) {
            uint64_t cycle = board.avr->cycle; /* a sleeping processor wakes later than the frame ended */
            uint64_t end = between_ticks(board.frame_end < cycle ? cycle : board.frame_end);
            if (end < target) target = end;
            board.until_frame = false;
            board.frame_end = 0;
        }
    }
}

/* Lets so many tick interrupts happen. Where none is known yet the first one counts as one, however long the start
 * took up to two ticks; where none comes at all, so many ticks of time pass. */
void run_ticks(uint64_t ticks) {
    uint64_t period = board.tick_cycles, start = board.avr->cycle;
    if (!ticks) return;
    if (!board.first_tick) {
        for (uint64_t i = 0; i < 2 * ticks + 1 && !board.first_tick; i++) run_to(start + (i + 1) * period / 2);
        if (!board.first_tick) return;
        uint64_t late = (board.first_tick - start) / period;
        ticks -= late > 1 ? late : 1;
        start = between_ticks(board.first_tick);
        run_to(start);
    }
    run_to(board.first_tick + (tick_now() - 1 + ticks) * period + period / 2);
    board.until_frame = false;
}

static const char *setting(int count, char **words, const char *key, const char *otherwise) {
    size_t length = strlen(key);
    for (int i = count - 1; i > 0; i--) /* the last one counts */
        if (!strncmp(words[i], key, length) && words[i][length] == '=') return words[i] + length + 1;
    if (otherwise) return otherwise;
    fprintf(stderr, "bridge: %s=... is missing\n", key);
    exit(2);
}

static void quiet_log(avr_t *avr, const int level, const char *format, va_list arguments) {
    (void)avr;
    if (level <= LOG_ERROR) vfprintf(stderr, format, arguments);
}

static void attach(void) {
    avr_t *avr = board.avr;
    pins_attach();
    serial_attach();
    store_attach();
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, "watchdog")) watchdog = (avr_watchdog_t *)io;
    avr->io[AVR_DATA_TO_IO(MARK)].w.c = mark;
    for (intptr_t v = 1; v < 64; v++) {
        avr_irq_t *irq = avr_get_interrupt_irq(avr, (uint8_t)v);
        if (irq) avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, interrupt_runs, (void *)v);
    }
    own_reset = avr->reset;
    avr->reset = reset_seen;
    avr->sleep = do_not_sleep;
    entry_cycles = avr->flashend >= 0x20000 ? 5 : 4;
}

static void set_up(int count, char **words) {
    board.hz = strtoull(setting(count, words, "clock", NULL), NULL, 10);
    board.tick_cycles = board.hz * strtoull(setting(count, words, "tick", NULL), NULL, 10) / 1000000;
    board.tick_vector = atoi(setting(count, words, "vector", NULL));
    board.ppm = atof(setting(count, words, "ppm", "0"));
    board.baud = atof(setting(count, words, "baud", "115200"));
    board.tells = atoi(setting(count, words, "tell", "0"));
    board.random = strtoull(setting(count, words, "seed", "1"), NULL, 10) * 2 + 1;
    board.avr = avr_make_mcu_by_name(setting(count, words, "mcu", NULL));
    elf_firmware_t firmware = {0};
    if (!board.avr || !board.hz || elf_read_firmware(setting(count, words, "elf", NULL), &firmware)) {
        fprintf(stderr, "bridge: unknown mcu, bad clock, or unreadable ELF\n");
        exit(2);
    }
    avr_init(board.avr);
    firmware.frequency = (uint32_t)board.hz;
    avr_load_firmware(board.avr, &firmware);
    attach();
    for (int i = 1; i < count; i++)
        if ((!strncmp(words[i], "out=", 4) && !pins_add_output(words[i] + 4)) ||
            (!strncmp(words[i], "in=", 3) && !pins_add_input(words[i] + 3))) {
            fprintf(stderr, "bridge: no such pin: %s\n", words[i]);
            exit(2);
        }
}

/* What is kept on disk; false when that cannot be. */
static bool open_files(const char *store, const char *dump) {
    if (*store && !access(store, F_OK) && !store_load(store)) {
        fprintf(stderr, "not the image of this chip's EEPROM: %s\n", store);
        return false;
    }
    const char *wrong = *dump ? pins_vcd(dump) : NULL;
    if (wrong) fprintf(stderr, "no dump into %s: %s\n", dump, wrong);
    return !wrong;
}

int main(int count, char **words) {
    /* libsimavr prints where it likes; the control lines get a descriptor of their own */
    board.control = fdopen(dup(STDOUT_FILENO), "w");
    dup2(STDERR_FILENO, STDOUT_FILENO);
    avr_global_logger_set(quiet_log);
    set_up(count, words);
    reset("power", 0);
    const char *store = setting(count, words, "store", "");
    if (!open_files(store, setting(count, words, "vcd", ""))) return 2;

    char *line = NULL;
    size_t room = 0;
    while (getline(&line, &room, stdin) > 0) {
        line[strcspn(line, "\r\n")] = 0;
        if (!strcmp(line, "quit")) break;
        const char *wrong = obey(line);
        serial_flush();
        if (wrong)
            fprintf(board.control, "error %s\n", wrong);
        else
            fprintf(board.control, "ok %" PRIu64 " %" PRIu64 "\n", tick_now(), board.avr->cycle / board.tick_cycles);
        fflush(board.control);
    }
    pins_vcd_close();
    if (*store && !store_save(store)) {
        fprintf(stderr, "the EEPROM cannot be written to %s\n", store);
        return 2;
    }
    return 0;
}
