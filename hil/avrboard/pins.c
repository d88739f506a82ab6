/* Port registers, the levels that the outputs really have, switches, and the value change dump.
 *
 * libsimavr raises no event where a reset or a cleared direction bit lets a pin go, and lets a pull-up overrule a
 * closed switch; so the three registers of each port are handled here, and libsimavr only hears of changed inputs
 * for its pin-change interrupts.
 */
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "board.h"

typedef struct {
    int port; /* index into ports, -1: an output without a pin */
    int bit;
    int pull; /* outputs: level that the external resistor gives a floating pin */
    int level; /* outputs: 0, 1, 2 floating; inputs: 0 closed to ground, 1 open contact */
    int seen; /* outputs: electrical level last reported */
    const char *name; /* in the dump */
} line_t;

typedef struct {
    char name;
    avr_ioport_t *io;
    uint8_t latch, direction;
} port_t;

static port_t ports[MAX_PORTS];
static line_t outputs[MAX_OUTPUTS], inputs[MAX_INPUTS];
static unsigned port_count, output_count, input_count;
static struct {
    uint64_t cycle;
    unsigned index;
    int level;
} presses[MAX_PRESSES];
static unsigned press_count;
static uint64_t storm_gap;
static uint32_t storm, storm_levels; /* bit i: input i shakes; its level before */
static const char vcd_head[] = "$timescale 100 ps $end\n$scope module board $end\n";
static FILE *vcd;
static uint64_t vcd_time;

static int find_port(char name) {
    for (unsigned i = 0; i < port_count; i++)
        if (ports[i].name == name) return (int)i;
    return -1;
}

/* Reads "B3", "B3:1" (the pull of an output) and "B3=NAME"; "-" is an output without a pin. */
static bool read_line(const char *text, line_t *line) {
    const char *name = strchr(text, '=');
    *line = (line_t){.port = -1, .level = 2, .seen = -1, .name = name ? name + 1 : NULL};
    if (!strcmp(text, "-")) return true;
    if (text[0] < 'A' || text[0] > 'Z' || text[1] < '0' || text[1] > '7') return false;
    line->port = find_port(text[0]);
    line->bit = text[1] - '0';
    if (text[2] == ':' && (text[3] == '0' || text[3] == '1')) line->pull = text[3] - '0';
    return line->port >= 0;
}

bool pins_add_output(const char *name) {
    return output_count < MAX_OUTPUTS && read_line(name, &outputs[output_count++]);
}

bool pins_add_input(const char *name) {
    if (input_count >= MAX_INPUTS || !read_line(name, &inputs[input_count])) return false;
    inputs[input_count++].level = 1;
    return true;
}

static void vcd_change(char kind, unsigned index, char level) {
    if (!vcd) return;
    uint64_t hz = board.hz, second = 10000000000u, cycle = board.avr->cycle;
    uint64_t time = cycle / hz * second + cycle % hz * second / hz;
    if (time != vcd_time) fprintf(vcd, "#%llu\n", (unsigned long long)(vcd_time = time));
    fprintf(vcd, "%c%c%u\n", level, kind, index);
}

/* Reports every output whose level differs from what was last reported. */
static void look(void) {
    for (unsigned i = 0; i < output_count; i++) {
        line_t *line = &outputs[i];
        if (line->port < 0) continue;
        port_t *port = &ports[line->port];
        int level = port->direction >> line->bit & 1 ? port->latch >> line->bit & 1 : 2;
        if (level != line->level) {
            line->level = level;
            tell("pin %llu %u %c", (unsigned long long)board.avr->cycle, i, "01z"[level]);
            vcd_change('o', i, "01z"[level]);
        }
        int electrical = level == 2 ? line->pull : level;
        if (electrical != line->seen) {
            line->seen = electrical;
            say("edge %llu %u %d %llu", (unsigned long long)tick_of(board.avr->cycle), i, electrical,
                (unsigned long long)board.avr->cycle);
        }
    }
}

/* What the pins of a port read: outputs their latch, closed switches 0, the rest 1 only with the pull-up on. */
static uint8_t levels(port_t *port) {
    uint8_t closed = 0;
    for (unsigned i = 0; i < input_count; i++)
        if (inputs[i].port >= 0 && &ports[inputs[i].port] == port && !inputs[i].level)
            closed |= (uint8_t)(1u << inputs[i].bit);
    return (uint8_t)(port->latch & (port->direction | (uint8_t)~closed));
}

/* Tells libsimavr of the inputs, for its pin-change and external interrupts. */
static void refresh(port_t *port) {
    uint8_t now = levels(port), before = board.avr->data[port->io->r_pin];
    for (int bit = 0; bit < 8; bit++)
        if ((now ^ before) >> bit & 1) avr_raise_irq(port->io->io.irq + bit, now >> bit & 1);
    board.avr->data[port->io->r_pin] = now;
}

static void write_latch(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    port_t *port = param;
    (void)address;
    port->latch = avr->data[port->io->r_port] = value;
    refresh(port);
    look();
}

static void write_direction(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    port_t *port = param;
    (void)address;
    port->direction = avr->data[port->io->r_ddr] = value;
    refresh(port);
    look();
}

static void write_toggle(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    port_t *port = param;
    (void)address;
    write_latch(avr, port->io->r_port, port->latch ^ value, param);
}

static uint8_t read_pins(avr_t *avr, avr_io_addr_t address, void *param) {
    return avr->data[address] = levels(param);
}

void pins_attach(void) {
    for (avr_io_t *io = board.avr->io_port; io; io = io->next) {
        if (strcmp(io->kind, "port")) continue;
        port_t *port = &ports[port_count++];
        port->io = (avr_ioport_t *)io;
        port->name = port->io->name;
        avr_t *avr = board.avr;
        avr->io[AVR_DATA_TO_IO(port->io->r_port)].w.c = write_latch;
        avr->io[AVR_DATA_TO_IO(port->io->r_port)].w.param = port;
        avr->io[AVR_DATA_TO_IO(port->io->r_ddr)].w.c = write_direction;
        avr->io[AVR_DATA_TO_IO(port->io->r_ddr)].w.param = port;
        avr->io[AVR_DATA_TO_IO(port->io->r_pin)].w.c = write_toggle;
        avr->io[AVR_DATA_TO_IO(port->io->r_pin)].w.param = port;
        avr->io[AVR_DATA_TO_IO(port->io->r_pin)].r.c = read_pins;
        avr->io[AVR_DATA_TO_IO(port->io->r_pin)].r.param = port;
    }
}

/* A reset lets every pin go at once. */
void pins_float(void) {
    for (unsigned i = 0; i < port_count; i++) ports[i].latch = ports[i].direction = 0;
    look();
}

/* A reset leaves the registers that inputs read at 0; the switches are where they were. */
void pins_refresh(void) {
    /* libsimavr would look every other cycle whether a low INT pin is still low, enabled or not */
    for (uint8_t i = 0; i < EXTINT_COUNT; i++)
        if (avr_extint_is_strict_lvl_trig(board.avr, i) > 0) avr_extint_set_strict_lvl_trig(board.avr, i, 0);
    for (unsigned i = 0; i < port_count; i++) refresh(&ports[i]);
}

bool pins_press(unsigned index, int level) {
    if (index >= input_count || inputs[index].port < 0) return false;
    if (inputs[index].level == level) return true;
    inputs[index].level = level;
    vcd_change('i', index, level ? '1' : '0');
    if (board.powered) refresh(&ports[inputs[index].port]);
    return true;
}

/* Keeps the presses sorted by cycle, so that the next one is always the first. */
bool pins_press_at(uint64_t cycle, unsigned index, int level) {
    if (press_count >= MAX_PRESSES || index >= input_count) return false;
    unsigned at = press_count++;
    for (; at && presses[at - 1].cycle > cycle; at--) presses[at] = presses[at - 1];
    presses[at].cycle = cycle;
    presses[at].index = index;
    presses[at].level = level;
    schedule(DUE_PRESS, presses[0].cycle);
    return true;
}

void pins_press_due(void) {
    while (press_count && presses[0].cycle <= board.avr->cycle) {
        pins_press(presses[0].index, presses[0].level);
        memmove(&presses[0], &presses[1], --press_count * sizeof presses[0]);
    }
    schedule(DUE_PRESS, press_count ? presses[0].cycle : 0);
}

/* These inputs (bit i: input i) change their level over and over, one of them after each random gap below `gap` cycles.
 * Without a gap: no more, and they are as they were before. */
void pins_storm(uint64_t gap, uint32_t which) {
    for (unsigned i = 0; i < input_count; i++)
        if (storm >> i & 1) pins_press(i, storm_levels >> i & 1);
    storm = gap ? which & (uint32_t)((1ull << input_count) - 1) : 0;
    storm_gap = gap;
    storm_levels = 0;
    for (unsigned i = 0; i < input_count; i++) storm_levels |= (uint32_t)inputs[i].level << i;
    schedule(DUE_STORM, storm ? board.avr->cycle + 1 : 0);
}

void pins_storm_due(void) {
    unsigned chosen = (unsigned)(draw() % input_count);
    while (!(storm >> chosen & 1)) chosen = (chosen + 1) % input_count;
    pins_press(chosen, !inputs[chosen].level);
    schedule(DUE_STORM, board.avr->cycle + 1 + draw() % storm_gap);
}

static void vcd_declare(char kind, unsigned index, const char *otherwise, const line_t *line) {
    if (line->port < 0) return;
    fprintf(vcd, "$var wire 1 %c%u ", kind, index);
    if (line->name)
        fputs(line->name, vcd);
    else
        fprintf(vcd, "%s_%u", otherwise, index);
    fputs(" $end\n", vcd);
}

/* Whether a dump takes the place of nothing but a dump. A file without a byte is one whose run was killed. */
static bool vcd_may_replace(const char *path) {
    struct stat status;
    if (stat(path, &status) || !S_ISREG(status.st_mode) || !status.st_size) return true;
    char begins[sizeof vcd_head - 1];
    FILE *file = fopen(path, "rb");
    bool same = file && fread(begins, 1, sizeof begins, file) == sizeof begins && !memcmp(begins, vcd_head, sizeof begins);
    if (file) fclose(file);
    return same;
}

const char *pins_vcd(const char *path) {
    pins_vcd_close();
    if (!vcd_may_replace(path)) return "it is there and no dump of pins, and stays as it is";
    vcd = fopen(path, "w");
    if (!vcd) return "it cannot be written";
    fputs(vcd_head, vcd);
    for (unsigned i = 0; i < output_count; i++) vcd_declare('o', i, "output", &outputs[i]);
    for (unsigned i = 0; i < input_count; i++) vcd_declare('i', i, "input", &inputs[i]);
    fprintf(vcd, "$upscope $end\n$enddefinitions $end\n");
    vcd_time = UINT64_MAX;
    for (unsigned i = 0; i < output_count; i++)
        if (outputs[i].port >= 0) vcd_change('o', i, outputs[i].level < 0 ? 'z' : "01z"[outputs[i].level]);
    for (unsigned i = 0; i < input_count; i++) vcd_change('i', i, inputs[i].level ? '1' : '0');
    return NULL;
}

void pins_vcd_close(void) {
    if (vcd) fclose(vcd);
    vcd = NULL;
}
