/* The engine without a link, for many machines in one process. One line in, zero or more lines out:
 *
 *   case TICK0                      a new machine; all its numbers start at 0
 *   scalars SUPPLY INRUSH POUR_LIMIT PAUSE_LIMIT JOG_RENEWAL VESSEL VESSEL_INTERLOCK CHANNELS OUTPUTS INTERLOCKS
 *           BUTTONS START_MASK POURING_MASK ALWAYS_MASK ABORT_MASK GOES_ON_MASK LINK_LIMIT       (all in one line)
 *   output I CURRENT GROUP MAX_ON NEEDS STAYS_ON JOG_LIMIT
 *   group I DEAD                    I from 1
 *   debounce I N                    interlocks, then buttons
 *   button I DOES RECIPE SERVING
 *   recipes HEX, calibration HEX    a record; without the line there is none
 *   run N                           N ticks; after each its trace and the requests of buttons
 *   away N                          N ticks in which the main loop is busy with something else
 *   in I LEVEL                      1: closed or pressed
 *   pour NUMBER SERVING OVER_LINK, stop, goon, jog OUTPUT ON
 *   heard                           a request of the link was answered
 *   end                             how things stand
 *
 * Out: answer REASON ARG for each request; t TICK CODE ARG for each entry of the trace; at the end
 * booked OUT STARTS PLANNED ON for each step, state STATE RESULT REASON ARG, done.
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "dw_engine.h"
#include "dw_trace.h"
#include "machine.h"
#include "table.h"
#include "no_link.h"

#define FIRST_OUTPUT_PORT FUZZ_INPUTS

uint8_t dw_default_recipes[FUZZ_RECORD];
uint8_t dw_default_calibration[FUZZ_RECORD];

static uint8_t pins[DW_PORTS_CAPACITY];
static uint32_t tick0;
static bool started;
static char line[4 * FUZZ_RECORD];

static void give_up(const char *what)
{
    (void)fprintf(stderr, "driver: %s: %s\n", what, line);
    exit(2);
}

void dw_port_write(const uint8_t *image)
{
    unsigned i;

    for (i = 0; i < DW_PORTS_CAPACITY; i++) {
        pins[i] = (uint8_t)((pins[i] & (uint8_t)~dw_port_owned[i]) | (image[i] & dw_port_owned[i]));
    }
    /* what reaches the pins is what was decided for this tick, whatever the polarity */
    for (i = 0; i < fuzz.outputs; i++) {
        bool high = (pins[dw_output_pins[i].port] & dw_output_pins[i].mask) != 0;
        bool on = (dw_outputs_on((uint8_t)(i / 8)) >> (i % 8) & 1) != 0;

        if ((high == (dw_output_pins[i].active_high != 0)) != on) {
            give_up("a pin is not what was decided");
        }
    }
}

uint8_t dw_port_read(uint8_t port)
{
    return pins[port];
}

void dw_port_lock(void)
{
}

void dw_port_unlock(void)
{
}

uint8_t dw_port_store_read(dw_offset_t address)
{
    (void)address;
    return 0xFF;
}

bool dw_port_store_write(dw_offset_t address, uint8_t value)
{
    (void)address;
    (void)value;
    return false;
}

/* Numbers of a line behind its word; how many there must be. */
static const uint32_t *numbers(unsigned count)
{
    static uint32_t values[17];
    char *at = strchr(line, ' ');
    unsigned i;

    for (i = 0; i < count; i++) {
        char *end = at;

        if (at != NULL) {
            values[i] = (uint32_t)strtoul(at, &end, 10);
        }
        if (end == at) {
            give_up("too few numbers");
        }
        at = end;
    }
    if (count != 0 && *at != '\0') {
        give_up("too many numbers");
    }
    return values;
}

static void begin_case(void)
{
    unsigned i;

    tick0 = numbers(1)[0];
    started = false;
    memset(&fuzz, 0, sizeof fuzz);
    memset(dw_outputs, 0, sizeof dw_outputs);
    memset(dw_buttons, 0, sizeof dw_buttons);
    memset(dw_group_dead, 0, sizeof dw_group_dead);
    memset(dw_default_recipes, 0, sizeof dw_default_recipes);
    memset(dw_default_calibration, 0, sizeof dw_default_calibration);
    memset(dw_port_idle, 0, sizeof dw_port_idle);
    memset(dw_port_owned, 0, sizeof dw_port_owned);
    memset(pins, 0, sizeof pins);
    for (i = 0; i < FUZZ_INPUTS; i++) {
        dw_debounce[i] = 1;
        dw_input_pins[i].port = (uint8_t)i;
        dw_input_pins[i].mask = 1;
        dw_input_pins[i].active_high = 1;
    }
    for (i = 0; i < DW_OUTPUTS_CAPACITY; i++) {
        uint8_t port = (uint8_t)(FIRST_OUTPUT_PORT + i / 8);
        uint8_t mask = (uint8_t)(1u << i % 8);

        dw_output_pins[i].port = port;
        dw_output_pins[i].mask = mask;
        dw_output_pins[i].active_high = (uint8_t)(i % 2);
        dw_port_owned[port] = (uint8_t)(dw_port_owned[port] | mask);
        dw_port_idle[port] = (uint8_t)(dw_port_idle[port] | (i % 2 == 0 ? mask : 0u));
        dw_rate_ranges[i].slowest_m = 0xFFFFFFFFu;
        dw_rate_ranges[i].slowest_s = 1;
        dw_rate_ranges[i].fastest_m = 0x80000000u;
        dw_rate_ranges[i].fastest_s = 24;
    }
}

static void set_scalars(void)
{
    const uint32_t *n = numbers(17);

    fuzz.supply = (uint16_t)n[0];
    fuzz.inrush = (uint16_t)n[1];
    fuzz.pour_limit = n[2];
    fuzz.pause_limit = n[3];
    fuzz.jog_renewal = n[4];
    fuzz.vessel = n[5];
    fuzz.vessel_interlock = (uint8_t)n[6];
    fuzz.channels = (uint8_t)n[7];
    fuzz.outputs = (uint8_t)n[8];
    fuzz.interlocks = (uint8_t)n[9];
    fuzz.buttons = (uint8_t)n[10];
    fuzz.start_mask = (uint16_t)n[11];
    fuzz.pouring_mask = (uint16_t)n[12];
    fuzz.always_mask = (uint16_t)n[13];
    fuzz.abort_mask = (uint16_t)n[14];
    fuzz.goes_on_mask = (uint16_t)n[15];
    fuzz.link_limit = n[16];
    if (n[0] > 65535 || fuzz.outputs > DW_OUTPUTS_CAPACITY || fuzz.interlocks > DW_INTERLOCKS_CAPACITY ||
        fuzz.buttons > DW_BUTTONS_CAPACITY) {
        give_up("more than there is room for");
    }
}

static void set_output(void)
{
    const uint32_t *n = numbers(7);

    dw_outputs[n[0]].current = (uint16_t)n[1];
    dw_outputs[n[0]].group = (uint8_t)n[2];
    dw_outputs[n[0]].max_on = n[3];
    dw_outputs[n[0]].needs = (uint16_t)n[4];
    dw_outputs[n[0]].stays_on = (uint8_t)n[5];
    dw_outputs[n[0]].jog_limit = n[6];
}

static void set_button(void)
{
    const uint32_t *n = numbers(4);

    dw_buttons[n[0]].does = (uint8_t)n[1];
    dw_buttons[n[0]].recipe = (uint16_t)n[2];
    dw_buttons[n[0]].serving = (uint8_t)n[3];
}

/* The interface is the record's own: which tables are refused is tried elsewhere. */
static void set_record(uint8_t *record)
{
    const char *at = strchr(line, ' ');
    unsigned length = 0;

    while (at != NULL && length < FUZZ_RECORD && at[1] != '\0') {
        unsigned byte;

        if (sscanf(at + 1, "%2x", &byte) != 1) {
            give_up("no hex");
        }
        record[length] = (uint8_t)byte;
        length++;
        at += 2;
    }
    fuzz.interface = record[8] | (uint32_t)record[9] << 8 | (uint32_t)record[10] << 16 | (uint32_t)record[11] << 24;
}

static void tell_trace(void)
{
    uint16_t number = dw_trace_first();
    uint8_t held;

    for (held = dw_trace_held(); held != 0; held--) {
        const dw_trace_t *entry = dw_trace_entry(number);

        (void)printf("t %" PRIu32 " %u %u\n", entry->tick, entry->code, entry->argument);
        number++;
    }
    if (dw_trace_let_go(number) != 0) {
        give_up("the trace lost entries");
    }
}

static void run(uint32_t ticks, bool served)
{
    while (ticks != 0) {
        dw_tick();
        tell_trace();
        if (served) {
            dw_serve_buttons();
        }
        ticks--;
    }
}

static void tell_answer(dw_answer_t answer)
{
    (void)printf("answer %u %u\n", answer.reason, answer.argument);
}

static void end_case(void)
{
    dw_booked_t step;
    dw_status_t status;
    uint8_t i;

    for (i = 0; dw_get_booked(i, &step); i++) {
        (void)printf("booked %u %u %" PRIu32 " %" PRIu32 "\n", step.output, step.starts, step.planned, step.on);
    }
    dw_get_status(&status);
    (void)printf("state %u %u %u %u\ndone\n", status.state, status.result, status.why.reason, status.why.argument);
    (void)fflush(stdout);
}

static bool is(const char *word)
{
    size_t length = strlen(word);

    return strncmp(line, word, length) == 0 && (line[length] == ' ' || line[length] == '\0');
}

/* A line that describes the machine; false when it is none. */
static bool describe(void)
{
    if (is("case")) {
        begin_case();
    } else if (is("scalars")) {
        set_scalars();
    } else if (is("output")) {
        set_output();
    } else if (is("group")) {
        dw_group_dead[numbers(2)[0] - 1] = (uint16_t)numbers(2)[1];
    } else if (is("debounce")) {
        dw_debounce[numbers(2)[0]] = (uint16_t)numbers(2)[1];
    } else if (is("button")) {
        set_button();
    } else if (is("recipes")) {
        set_record(dw_default_recipes);
    } else if (is("calibration")) {
        set_record(dw_default_calibration);
    } else {
        return false;
    }
    return true;
}

/* The engine starts with the first line of the timeline, when the machine is complete. */
static void happen(void)
{
    if (!started) {
        dw_start(tick0);
        started = true;
    }
    if (is("run")) {
        run(numbers(1)[0], true);
    } else if (is("away")) {
        run(numbers(1)[0], false);
    } else if (is("in")) {
        pins[numbers(2)[0]] = (uint8_t)numbers(2)[1];
    } else if (is("pour")) {
        uint16_t recipe = (uint16_t)numbers(3)[0];
        uint8_t serving = (uint8_t)numbers(3)[1];

        tell_answer(numbers(3)[2] != 0 ? dw_pour_over_link(recipe, serving) : dw_pour(recipe, serving));
    } else if (is("heard")) {
        dw_heard();
    } else if (is("stop")) {
        dw_answer_t accepted = { DW_OK, 0 };

        dw_stop();
        tell_answer(accepted);
    } else if (is("goon")) {
        tell_answer(dw_go_on());
    } else if (is("jog")) {
        tell_answer(dw_jog((uint8_t)numbers(2)[0], numbers(2)[1] != 0));
    } else if (is("end")) {
        end_case();
    } else {
        give_up("not understood");
    }
}

int main(void)
{
    while (fgets(line, sizeof line, stdin) != NULL) {
        line[strcspn(line, "\r\n")] = '\0';
        if (!describe()) {
            happen();
        }
    }
    return 0;
}
