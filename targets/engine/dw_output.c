/* Steps 5 to 7 of a tick: which step ends, which starts, and the image of the ports that follows. */
#include "dw_state.h"
#include "dw_trace.h"

#define OUTPUT_BYTES ((DW_OUTPUTS_CAPACITY + 7) / 8)

static uint8_t image[DW_PORTS_CAPACITY];
static uint8_t on[OUTPUT_BYTES];
/* Ticks until a group is free, and until the inrush gap is over. Counted down, so no span is too long for them. */
static uint32_t group_wait[DW_GROUPS_CAPACITY + 1];
static uint32_t inrush_wait;

/* An 8-bit core shifts one place at a time. */
static uint8_t bit_of(uint8_t output)
{
    static const uint8_t bits[] DW_ROM = { 1, 2, 4, 8, 16, 32, 64, 128 };

    return dw_rom8(&bits[output & 7u]);
}

/* Arms the image with every output off, so that the first tick writes it. */
void dw_output_start(void)
{
    uint8_t i;

    for (i = 0; i < DW_PORTS; i++) {
        image[i] = dw_rom8(&dw_port_idle[i]);
    }
    for (i = 0; i < OUTPUT_BYTES; i++) {
        on[i] = 0;
    }
    for (i = 0; i <= DW_GROUPS_CAPACITY; i++) {
        group_wait[i] = 0;
    }
    inrush_wait = 0;
}

/* Nothing is decided here: every output changes at the same distance from the timer. */
void dw_output_write(void)
{
    dw_port_write(image);
}

uint8_t dw_outputs_on(uint8_t index)
{
    return index < OUTPUT_BYTES ? ((volatile const uint8_t *)on)[index] : 0;
}

/* Waits run on over pours, pauses and jogs. */
void dw_output_count_down(void)
{
    uint8_t i;

    for (i = 0; i != DW_GROUPS; i++) {
        if (group_wait[i] != 0) {
            group_wait[i]--;
        }
    }
    if (inrush_wait != 0) {
        inrush_wait--;
    }
}

/* The set of running steps as bits. */
static void collect(uint8_t *set)
{
    const dw_step_t *step;
    uint8_t i;

    for (i = 0; i < OUTPUT_BYTES; i++) {
        set[i] = 0;
    }
    for (step = dw_state.first; step != dw_state.end; step++) {
        if (step->phase == DW_RUNNING) {
            uint8_t output = step->output;

            set[output >> 3] = (uint8_t)(set[output >> 3] | bit_of(output));
        }
    }
}

/* The first output from this one on that is in the set and not in the other; DW_OUTPUTS when there is none. */
static uint8_t next_in(const uint8_t *set, const uint8_t *other, uint8_t output)
{
    while (output < DW_OUTPUTS) {
        uint8_t left = (uint8_t)(set[output >> 3] & (uint8_t)~other[output >> 3]);

        if (left == 0) {
            output = (uint8_t)((output | 7u) + 1u); /* the next eight */
        } else if ((left & bit_of(output)) != 0) {
            return output;
        } else {
            output++;
        }
    }
    return DW_OUTPUTS;
}

/* Ends what is through, and says whether every step of the pour has ended. */
static bool end_steps(void)
{
    bool all = true;
    dw_step_t *step;

    for (step = dw_state.first; step != dw_state.end; step++) {
        if (step->phase == DW_RUNNING && step->left == 0) {
            step->phase = DW_ENDED;
        }
        all = all && step->phase == DW_ENDED;
    }
    return all;
}

/* A group with an output that ended or was interrupted in this tick is taken for its dead time, one tick at least. */
static void release_groups(void)
{
    uint8_t running[OUTPUT_BYTES];
    uint8_t output;

    collect(running);
    for (output = next_in(on, running, 0); output != DW_OUTPUTS; output = next_in(on, running, (uint8_t)(output + 1u))) {
        uint8_t group = dw_rom8(&dw_outputs[output].group);

        if (group != 0) {
            uint32_t dead = dw_rom32(&dw_group_dead[group - 1u]);

            group_wait[group - 1u] = dead != 0 ? dead : 1u;
        }
    }
}

/* True when no running step has this output or is of its group, and the group's dead time is over. */
static bool is_free(uint8_t output)
{
    uint8_t group = dw_rom8(&dw_outputs[output].group);
    const dw_step_t *step;

    if (group != 0 && group_wait[group - 1u] != 0) {
        return false;
    }
    for (step = dw_state.first; step != dw_state.end; step++) {
        if (step->phase == DW_RUNNING &&
            (step->output == output || (group != 0 && dw_rom8(&dw_outputs[step->output].group) == group))) {
            return false;
        }
    }
    return true;
}

/* Supply current that the running steps leave. */
static uint16_t spare_current(void)
{
    uint16_t spare = DW_SUPPLY_MA;
    const dw_step_t *step;

    for (step = dw_state.first; step != dw_state.end; step++) {
        if (step->phase == DW_RUNNING) {
            spare = (uint16_t)(spare - dw_rom16(&dw_outputs[step->output].current));
        }
    }
    return spare;
}

/* Starts waiting steps in table order up to the first that may not start: nothing skips ahead. */
static void start_steps(void)
{
    uint16_t spare = spare_current();
    bool all_before_ended = true;
    dw_step_t *step;

    for (step = dw_state.first; step != dw_state.end; step++) {
        if (step->phase == DW_WAITING) {
            uint16_t current = dw_rom16(&dw_outputs[step->output].current);

            if ((step->after_all != 0 && !all_before_ended) || current > spare || inrush_wait != 0 ||
                !is_free(step->output)) {
                return;
            }
            spare = (uint16_t)(spare - current);
            inrush_wait = DW_INRUSH_GAP;
            step->phase = DW_RUNNING;
            if (step->starts != UINT8_MAX) {
                step->starts++;
            }
        }
        all_before_ended = all_before_ended && step->phase == DW_ENDED;
    }
}

/* Ends, starts, and the end of the pour. */
void dw_output_decide(dw_events_t *events)
{
    bool all_ended = end_steps();

    release_groups();
    if (dw_state.state == DW_POURING || dw_state.state == DW_JOGGING) {
        start_steps();
    }
    if (all_ended && (dw_state.state == DW_POURING || dw_state.state == DW_PAUSED)) {
        dw_rest();
        dw_state.result = DW_RESULT_DONE;
        events->done = true;
    }
}

/* Traces those of the set that are not in the other set. */
static void trace_difference(const uint8_t *set, const uint8_t *other, uint8_t code)
{
    uint8_t output;

    for (output = next_in(set, other, 0); output != DW_OUTPUTS; output = next_in(set, other, (uint8_t)(output + 1u))) {
        dw_trace_put(dw_state.tick, code, output);
    }
}

static void trace_inputs(uint16_t changed, uint16_t level, uint8_t first)
{
    uint8_t i;

    for (i = first; changed != 0; i++) {
        if ((changed & 1u) != 0) {
            dw_trace_put(dw_state.tick, DW_TRACE_INPUT, (uint8_t)(i + ((level & 1u) != 0 ? DW_TRACE_CLOSED : 0u)));
        }
        changed = (uint16_t)(changed >> 1);
        level = (uint16_t)(level >> 1);
    }
}

/* Turns the set of outputs that are on into the ports' next image. */
static void arm_image(void)
{
    static const uint8_t nothing[OUTPUT_BYTES] = { 0 };
    uint8_t i;

    for (i = 0; i < DW_PORTS; i++) {
        image[i] = dw_rom8(&dw_port_idle[i]);
    }
    for (i = next_in(on, nothing, 0); i != DW_OUTPUTS; i = next_in(on, nothing, (uint8_t)(i + 1u))) {
        uint8_t port = dw_rom8(&dw_output_pins[i].port);
        uint8_t mask = dw_rom8(&dw_output_pins[i].mask);

        if (port != DW_NO_PIN) {
            image[port] = dw_rom8(&dw_output_pins[i].active_high) != 0 ? (uint8_t)(image[port] | mask)
                                                                       : (uint8_t)(image[port] & (uint8_t)~mask);
        }
    }
}

/* Writes the trace of this tick in the order of its codes, and arms what the next interrupt will write. */
void dw_output_arm(const dw_events_t *events)
{
    uint8_t now[OUTPUT_BYTES];
    bool changed = false;
    uint8_t i;

    if (events->pour) {
        dw_trace_put(dw_state.tick, DW_TRACE_POUR, dw_state.serving);
    }
    if (events->went_on) {
        dw_trace_put(dw_state.tick, DW_TRACE_GO_ON, 0);
    }
    trace_inputs(events->interlocks_changed, dw_state.closed, 0);
    trace_inputs(events->buttons_changed, dw_state.pressed, DW_INTERLOCKS);
    if (events->pause != DW_NOTHING_HAPPENED) {
        dw_trace_put(dw_state.tick, DW_TRACE_PAUSE, events->pause);
    }
    if (events->abort != DW_NOTHING_HAPPENED) {
        dw_trace_put(dw_state.tick, DW_TRACE_ABORT, events->abort);
    }
    collect(now);
    trace_difference(on, now, DW_TRACE_OFF);
    trace_difference(now, on, DW_TRACE_ON);
    if (events->done) {
        dw_trace_put(dw_state.tick, DW_TRACE_DONE, 0);
    }
    for (i = 0; i < OUTPUT_BYTES; i++) {
        changed = changed || on[i] != now[i];
        on[i] = now[i];
    }
    if (changed) {
        arm_image();
    }
}
