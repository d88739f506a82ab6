/* Step 4 of a tick: interlocks and limits. */
#include "dw_state.h"

/* Leaves the steps as they are, for their amounts are booked, but none is at work any more. */
void dw_rest(void)
{
    dw_state.end = dw_state.first;
    dw_state.state = DW_IDLE;
}

/* Ends a pour before its time; it cannot be gone on with. */
void dw_abort(uint8_t reason, uint8_t argument, dw_events_t *events)
{
    dw_rest();
    dw_state.result = DW_RESULT_ABORTED;
    dw_state.why.reason = reason;
    dw_state.why.argument = argument;
    events->abort = reason;
}

/* Interlocks needed always, by the running steps or all that have begun, and by the head. */
static uint16_t needed(bool also_interrupted)
{
    uint16_t mask = DW_ALWAYS_MASK;
    bool head = true;
    const dw_step_t *step;

    for (step = dw_state.first; step != dw_state.end; step++) {
        bool waits = step->phase == DW_WAITING;

        if (step->phase == DW_RUNNING || (waits && (head || (also_interrupted && step->starts != 0)))) {
            mask = (uint16_t)(mask | dw_needs(step->output));
        }
        head = head && !waits;
    }
    return mask;
}

/* Open interlocks that stand in the way of going on: also those of a step that was interrupted. */
uint16_t dw_open_to_go_on(void)
{
    return dw_open(needed(true));
}

/* The first step that has been on for as long as its output may be and still is not through, or NULL. */
static const dw_step_t *overdue(void)
{
    const dw_step_t *step;

    for (step = dw_state.first; step != dw_state.end; step++) {
        bool counts = step->phase == DW_RUNNING || (step->phase == DW_WAITING && dw_state.state == DW_POURING);

        if (counts && step->left > 0 && step->on >= dw_rom32(&dw_outputs[step->output].max_on)) {
            return step;
        }
    }
    return 0;
}

/* Switches off in a pause what may not stay on; run-on that comes now is not poured again. */
static void interrupt_steps(void)
{
    dw_step_t *step;

    for (step = dw_state.first; step != dw_state.end; step++) {
        if (step->phase != DW_RUNNING || step->left <= 0) {
            continue;
        }
        if (dw_rom8(&dw_outputs[step->output].stays_on) != 0 &&
            dw_open((uint16_t)(DW_ALWAYS_MASK | dw_needs(step->output))) == 0) {
            continue;
        }
        step->phase = DW_WAITING;
        if (dw_is_dose(step)) {
            int32_t offset = dw_state.offset_ticks[step->output];

            /* loss at each start makes it longer: capped, since max_on ends it long before that counts */
            step->left = offset < step->left - INT32_MAX ? INT32_MAX : step->left - offset;
            if (step->left <= 0) {
                step->phase = DW_ENDED;
            }
        }
    }
}

static void check_pour(dw_events_t *events)
{
    bool was_paused = dw_state.state == DW_PAUSED;
    uint16_t missing = dw_open(needed(false));
    uint16_t fatal = (uint16_t)(missing & DW_ABORT_MASK);
    const dw_step_t *late = overdue();

    if (fatal != 0) {
        dw_abort(DW_INTERLOCK, dw_lowest(fatal), events);
        return;
    }
    if (late != 0) {
        dw_abort(DW_MAX_ON, late->output, events);
        return;
    }
    if (!was_paused && dw_state.clock > DW_POUR_LIMIT) {
        dw_abort(DW_POUR_TOO_LONG, 0, events);
        return;
    }
    if (was_paused && dw_state.pause_clock > DW_PAUSE_LIMIT) {
        dw_abort(DW_PAUSE_TOO_LONG, 0, events);
        return;
    }
    if (DW_LINK_LIMIT != 0u && dw_state.over_link && dw_state.link_clock > DW_LINK_LIMIT) {
        dw_abort(DW_LINK_LOST, 0, events);
        return;
    }
    if (was_paused) {
        dw_state.causes = (uint16_t)(dw_state.causes | missing);
    } else if (missing != 0) {
        dw_state.state = DW_PAUSED;
        dw_state.pause_clock = 0;
        dw_state.causes = missing;
        dw_state.why.reason = DW_INTERLOCK;
        dw_state.why.argument = dw_lowest(missing);
        events->pause = dw_state.why.argument;
    } else {
        return;
    }
    interrupt_steps();
    if (was_paused && (dw_state.causes & (uint16_t)~DW_GOES_ON_MASK) == 0 && dw_open_to_go_on() == 0) {
        dw_state.state = DW_POURING;
        events->went_on = true;
    }
}

static void check_jog(void)
{
    const dw_step_t *step = &dw_state.steps[DW_JOG_STEP];
    uint16_t mask = (uint16_t)(DW_ALWAYS_MASK | DW_POURING_MASK | dw_needs(step->output));

    if (dw_open(mask) != 0 || step->left <= 0 || step->on >= dw_rom32(&dw_outputs[step->output].max_on) ||
        dw_state.jog_clock >= DW_JOG_RENEWAL) {
        dw_rest();
    }
}

/* Judged after the inputs of this tick, before anything starts in it. */
void dw_limit_check(dw_events_t *events)
{
    if (dw_state.state == DW_JOGGING) {
        check_jog();
    } else if (dw_state.state != DW_IDLE) {
        check_pour(events);
    }
}
