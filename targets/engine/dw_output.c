/* Steps 5 to 7 of a tick: which step ends, which starts, and the image of the ports that follows. */
#include "dw_state.h"
#include "dw_trace.h"

static uint8_t image[DW_PORTS_CAPACITY];

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
}

/* Nothing is decided here: every output changes at the same distance from the timer. */
void dw_output_write(void)
{
    dw_port_write(image);
}

uint8_t dw_outputs_on(uint8_t index)
{
    return index < DW_OUTPUT_BYTES ? ((volatile const uint8_t *)dw_state.on)[index] : 0;
}

/* Waits run on over pours, pauses and jogs. Counted down, so no span is too long for them. */
void dw_output_count_down(dw_state_t *s)
{
    uint8_t i;

    for (i = 0; i != DW_GROUPS; i++) {
        if (s->group_wait[i] != 0) {
            s->group_wait[i]--;
        }
    }
    if (s->inrush_wait != 0) {
        s->inrush_wait--;
    }
}

/* Ends or interrupts a step that runs, or ran until this tick. Its group is taken for the dead time from now on, one tick at
 * least. */
void dw_output_leave(dw_state_t *s, dw_step_t *step, uint8_t phase)
{
    uint8_t group = dw_rom8(&dw_outputs[step->output].group);

    step->phase = phase;
    if (group != 0) {
        uint16_t dead = dw_rom16(&dw_group_dead[group - 1u]);

        s->group_wait[group - 1u] = dead != 0 ? dead : 1u;
    }
}

/* Ends what is through, also what an interruption left nothing of, and says whether every step of the pour has ended. */
static bool end_steps(dw_state_t *s)
{
    bool all = true;
    dw_step_t *step;

    for (step = s->first; step != s->end; step++) {
        if (step->phase != DW_ENDED) {
            if (step->left == 0) {
                dw_output_leave(s, step, DW_ENDED);
            } else {
                all = false;
            }
        }
    }
    return all;
}

/* True when no running step has this output or is of its group, and the group's dead time is over. */
static bool is_free(const dw_state_t *s, uint8_t output)
{
    uint8_t group = dw_rom8(&dw_outputs[output].group);
    const dw_step_t *step;

    if (group != 0 && s->group_wait[group - 1u] != 0) {
        return false;
    }
    if (group == 0 && output < DW_CHANNELS) {
        return true; /* its channel has no other step: nothing to look for in the tick in which many start */
    }
    for (step = s->first; step != s->end; step++) {
        if (step->phase == DW_RUNNING &&
            (step->output == output || (group != 0 && dw_rom8(&dw_outputs[step->output].group) == group))) {
            return false;
        }
    }
    return true;
}

/* Supply current that the running steps leave. */
static uint16_t spare_current(const dw_state_t *s)
{
    uint16_t spare = DW_SUPPLY_MA;
    const dw_step_t *step;

    for (step = s->first; step != s->end; step++) {
        if (step->phase == DW_RUNNING) {
            spare = (uint16_t)(spare - dw_rom16(&dw_outputs[step->output].current));
        }
    }
    return spare;
}

/* Starts waiting steps in table order up to the first that may not start: nothing skips ahead. */
DW_APART static void start_steps(dw_state_t *s)
{
    uint16_t spare = spare_current(s);
    bool all_before_ended = true;
    dw_step_t *step;

    for (step = s->first; step != s->end; step++) {
        if (step->phase == DW_WAITING) {
            uint16_t current = dw_rom16(&dw_outputs[step->output].current);

            if ((step->after_all != 0 && !all_before_ended) || current > spare || s->inrush_wait != 0 ||
                !is_free(s, step->output)) {
                return;
            }
            spare = (uint16_t)(spare - current);
            s->inrush_wait = DW_INRUSH_GAP;
            step->phase = DW_RUNNING;
            if (step->starts != UINT8_MAX) {
                step->starts++;
            }
        }
        if (step->phase != DW_ENDED) {
            all_before_ended = false;
        }
    }
}

/* Ends, starts, and the end of the pour. */
void dw_output_decide(dw_state_t *s)
{
    bool all_ended = end_steps(s);

    if (s->state == DW_POURING || s->state == DW_JOGGING) {
        start_steps(s);
    }
    if (all_ended && (s->state == DW_POURING || s->state == DW_PAUSED)) {
        dw_rest(s);
        s->result = DW_RESULT_DONE;
        s->happened |= DW_POUR_DONE;
    }
}

/* The set of running steps as bits. */
static void collect(const dw_state_t *s, uint8_t *set)
{
    const dw_step_t *step;
    uint8_t i;

    for (i = 0; i < DW_OUTPUT_BYTES; i++) {
        set[i] = 0;
    }
    for (step = s->first; step != s->end; step++) {
        if (step->phase == DW_RUNNING) {
            set[step->output >> 3] |= bit_of(step->output);
        }
    }
}

/* Traces an output that goes on or off, and gives its pin the level that it has from now on. */
static void change_output(const dw_state_t *s, uint8_t output, uint8_t code)
{
    const dw_pin_t *pin = &dw_output_pins[output];
    uint8_t port = dw_rom8(&pin->port);

    dw_trace_put(s->tick, code, output);
    if (port != DW_NO_PIN) {
        uint8_t levels = dw_rom8(&dw_port_idle[port]); /* of the whole port: all off */

        if (code == DW_TRACE_ON) {
            levels = (uint8_t)~levels;
        }
        image[port] ^= (uint8_t)((image[port] ^ levels) & dw_rom8(&pin->mask));
    }
}

/* Changes those outputs of the set that are not in the other set. */
static void change_outputs(const dw_state_t *s, const uint8_t *set, const uint8_t *other, uint8_t code)
{
    uint8_t first;

    for (first = 0; first < 8u * DW_OUTPUT_BYTES; first = (uint8_t)(first + 8u)) {
        uint8_t changes = (uint8_t)(*set & (uint8_t)~*other);
        uint8_t output;

        for (output = first; changes != 0; output++) {
            if ((changes & 1u) != 0) {
                change_output(s, output, code);
            }
            changes >>= 1;
        }
        set++;
        other++;
    }
}

static void trace_inputs(const dw_state_t *s, uint16_t changed, uint16_t level, uint8_t first)
{
    for (; changed != 0; first++) {
        if ((changed & 1u) != 0) {
            dw_trace_put(s->tick, DW_TRACE_INPUT, (uint8_t)(first + ((level & 1u) != 0 ? DW_TRACE_CLOSED : 0u)));
        }
        changed = (uint16_t)(changed >> 1);
        level = (uint16_t)(level >> 1);
    }
}

/* Traces what happened, if it did. */
static void trace_if(const dw_state_t *s, uint8_t what, uint8_t code, uint8_t argument)
{
    if ((s->happened & what) != 0) {
        dw_trace_put(s->tick, code, argument);
    }
}

/* Writes the trace of this tick in the order of its codes, and arms what the next interrupt will write. */
void dw_output_arm(dw_state_t *s)
{
    uint8_t now[DW_OUTPUT_BYTES];
    uint8_t i;

    trace_if(s, DW_POUR_BEGAN, DW_TRACE_POUR, s->serving);
    trace_if(s, DW_WENT_ON, DW_TRACE_GO_ON, 0);
    trace_inputs(s, s->closed_changed, s->closed, 0);
    trace_inputs(s, s->pressed_changed, s->pressed, DW_INTERLOCKS);
    trace_if(s, DW_PAUSE_BEGAN, DW_TRACE_PAUSE, s->why.argument);
    trace_if(s, DW_ABORTED, DW_TRACE_ABORT, s->why.reason);
    collect(s, now);
    change_outputs(s, s->on, now, DW_TRACE_OFF);
    change_outputs(s, now, s->on, DW_TRACE_ON);
    trace_if(s, DW_POUR_DONE, DW_TRACE_DONE, 0);
    for (i = 0; i < DW_OUTPUT_BYTES; i++) {
        s->on[i] = now[i];
    }
}
