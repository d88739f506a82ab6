/* Step 4 of a tick: interlocks and limits. */
#include "dw_state.h"

#define NO_OUTPUT 255u

/* The amounts of the steps are booked, but none is at work any more. */
void dw_rest(dw_state_t *s)
{
    dw_step_t *step;

    for (step = s->first; step != s->end; step++) {
        if (step->phase == DW_RUNNING) {
            dw_output_leave(s, step, DW_WAITING);
        }
    }
    s->end = s->first;
    s->state = DW_IDLE;
}

/* Ends a pour before its time; it cannot be gone on with. */
void dw_abort(dw_state_t *s, uint8_t reason, uint8_t argument)
{
    dw_rest(s);
    s->result = DW_RESULT_ABORTED;
    s->why = dw_answer(reason, argument);
    s->happened |= DW_ABORTED;
}

/* Open ones of the interlocks needed always, by the running steps or all that have begun, and by the head. */
static uint16_t missing_now(const dw_state_t *s, bool also_interrupted)
{
    uint16_t mask = DW_ALWAYS_MASK;
    bool head = true;
    const dw_step_t *step;

    for (step = s->first; step != s->end; step++) {
        uint8_t phase = step->phase;

        if (phase == DW_RUNNING ||
            (phase == DW_WAITING && (head || (also_interrupted && step->starts != 0)))) {
            mask = (uint16_t)(mask | dw_needs(step->output));
        }
        if (phase == DW_WAITING) {
            head = false;
        }
    }
    return dw_open(s, mask);
}

/* Open interlocks that stand in the way of going on: also those of a step that was interrupted. */
uint16_t dw_open_to_go_on(const dw_state_t *s)
{
    return missing_now(s, true);
}

/* The output of the first step that has been on for as long as its output may be and still is not through, or NO_OUTPUT.
 * None that waits has: it was not when it was interrupted. */
static uint8_t overdue(const dw_state_t *s)
{
    const dw_step_t *step;

    for (step = s->first; step != s->end; step++) {
        if (step->phase == DW_RUNNING && step->left != 0 && step->on >= dw_rom32(&dw_outputs[step->output].max_on)) {
            return step->output;
        }
    }
    return NO_OUTPUT;
}

/* What is left of a dose that was interrupted: run-on that comes now is not poured again, loss at each start makes it
 * longer. Capped, since max_on ends it long before that counts. */
static uint32_t left_after(uint32_t left, int32_t offset)
{
    left -= (uint32_t)offset;
    if (left > INT32_MAX) {
        return offset < 0 ? INT32_MAX : 0;
    }
    return left;
}

/* Switches off in a pause what may not stay on. */
static void interrupt_steps(dw_state_t *s)
{
    dw_step_t *step;

    for (step = s->first; step != s->end; step++) {
        uint8_t output = step->output;

        if (step->phase != DW_RUNNING || step->left == 0 ||
            (dw_rom8(&dw_outputs[output].stays_on) != 0 &&
             dw_open(s, (uint16_t)(DW_ALWAYS_MASK | dw_needs(output))) == 0)) {
            continue;
        }
        if (dw_is_dose(step)) {
            step->left = left_after(step->left, s->offset_ticks[output]);
        }
        dw_output_leave(s, step, DW_WAITING);
    }
}

/* Why the pour has to end now; DW_OK when it has not. */
DW_APART static dw_answer_t reason_to_abort(const dw_state_t *s, uint16_t missing, bool time_is_over)
{
    uint16_t fatal = (uint16_t)(missing & DW_ABORT_MASK);
    uint8_t late = overdue(s);

    if (fatal != 0) {
        return dw_answer(DW_INTERLOCK, dw_lowest(fatal));
    }
    if (late != NO_OUTPUT) {
        return dw_answer(DW_MAX_ON, late);
    }
    if (time_is_over) {
        return dw_answer(s->state == DW_PAUSED ? DW_PAUSE_TOO_LONG : DW_POUR_TOO_LONG, 0);
    }
    return dw_answer(DW_LINK_LIMIT != 0u && s->over_link && s->link_clock > DW_LINK_LIMIT ? DW_LINK_LOST : DW_OK, 0);
}

DW_APART static void check_pour(dw_state_t *s, bool time_is_over)
{
    bool was_paused = s->state == DW_PAUSED;
    uint16_t missing = missing_now(s, false);
    dw_answer_t end = reason_to_abort(s, missing, time_is_over);

    if (end.reason != DW_OK) {
        dw_abort(s, end.reason, end.argument);
        return;
    }
    if (!was_paused) {
        if (missing == 0) {
            return;
        }
        s->state = DW_PAUSED;
        s->time_left[1] = DW_PAUSE_LIMIT;
        s->causes = 0;
        s->why = dw_answer(DW_INTERLOCK, dw_lowest(missing));
        s->happened |= DW_PAUSE_BEGAN;
    }
    s->causes = (uint16_t)(s->causes | missing);
    interrupt_steps(s);
    if (was_paused && (s->causes & (uint16_t)~DW_GOES_ON_MASK) == 0 && dw_open_to_go_on(s) == 0) {
        s->state = DW_POURING;
        s->happened |= DW_WENT_ON;
    }
}

/* Judged after the inputs of this tick, before anything starts in it. */
void dw_limit_check(dw_state_t *s, bool time_is_over)
{
    if (s->state == DW_JOGGING) {
        uint16_t needs = dw_needs(s->first->output);

        if (dw_open(s, (uint16_t)(DW_ALWAYS_MASK | DW_POURING_MASK | needs)) != 0 || s->first->left == 0 || time_is_over) {
            dw_rest(s);
        }
    } else if (s->state != DW_IDLE) {
        check_pour(s, time_is_over);
    }
}
