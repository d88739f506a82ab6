/* The tick: steps 1 and 2 of RULES.md, and the order of the rest. */
#include "dw_state.h"

dw_state_t dw_state;

/* Time goes by for what was on until now, also when a stop of this very tick ends it. */
static void advance_steps(void)
{
    dw_step_t *step;

    for (step = dw_state.first; step != dw_state.end; step++) {
        if (step->phase == DW_RUNNING) {
            step->left--;
            step->on++;
        }
    }
}

/* The main loop has written the steps and posted the request; from here on they are the tick's. */
static void begin_pour(dw_events_t *events)
{
    dw_state.first = dw_state.steps;
    dw_state.end = dw_state.steps + dw_state.count;
    dw_state.state = DW_POURING;
    dw_state.clock = 0;
    dw_state.result = DW_RESULT_NONE;
    dw_state.why.reason = DW_OK;
    dw_state.why.argument = 0;
    dw_state.served = DW_VESSEL_INTERLOCK != DW_NO_INTERLOCK;
    events->pour = true;
}

static void begin_jog(void)
{
    dw_state.first = dw_state.steps + DW_JOG_STEP;
    dw_state.end = dw_state.first + 1;
    dw_state.state = DW_JOGGING;
    dw_state.jog_clock = 0;
}

/* A stop comes first; what else waited was judged after the last tick, and does nothing if things have changed. */
static void take_requests(dw_events_t *events)
{
    uint8_t asked = dw_state.asked;

    if (dw_state.asked_stop) {
        if (dw_state.state == DW_JOGGING) {
            dw_rest();
        } else if (dw_state.state != DW_IDLE) {
            dw_abort(DW_STOP, 0, events);
        }
    }
    if (asked == DW_ASKED_POUR && dw_state.state == DW_IDLE) {
        begin_pour(events);
    } else if (asked == DW_ASKED_JOG && dw_state.state == DW_IDLE) {
        begin_jog();
    } else if (asked == DW_ASKED_GO_ON && dw_state.state == DW_PAUSED) {
        dw_state.state = DW_POURING;
        events->went_on = true;
    } else if (asked == DW_ASKED_RENEWAL && dw_state.state == DW_JOGGING) {
        dw_state.jog_clock = 0;
    } else if (asked == DW_ASKED_RELEASE && dw_state.state == DW_JOGGING) {
        dw_rest();
    }
    dw_state.asked = DW_ASKED_NOTHING;
    dw_state.asked_stop = false;
}

/* Counts only whole ticks spent in a state, so that the tick of entering it is number 0. */
static void advance_clocks(uint8_t state_before)
{
    dw_state.link_clock = dw_state.heard ? 0 : dw_state.link_clock + 1u;
    dw_state.heard = false;
    if (dw_state.state != state_before) {
        return;
    }
    if (state_before == DW_POURING) {
        dw_state.clock++;
    } else if (state_before == DW_PAUSED) {
        dw_state.pause_clock++;
    } else if (state_before == DW_JOGGING) {
        dw_state.jog_clock++;
    }
}

/* True while a pour has a dose that has not ended. */
static bool dose_is_due(void)
{
    const dw_step_t *step;

    if (dw_state.state != DW_POURING && dw_state.state != DW_PAUSED) {
        return false;
    }
    for (step = dw_state.first; step != dw_state.end; step++) {
        if (dw_is_dose(step) && step->phase != DW_ENDED) {
            return true;
        }
    }
    return false;
}

/* A vessel that was taken away once all was in it makes room for the next. */
static void watch_vessel(void)
{
    if (dw_state.served && dw_open(dw_bit((uint8_t)(DW_VESSEL_INTERLOCK & 15u))) != 0 && !dose_is_due()) {
        dw_state.served = false;
    }
}

void dw_tick(void)
{
    dw_events_t events = { false, false, false, DW_NOTHING_HAPPENED, DW_NOTHING_HAPPENED, 0, 0 };
    uint8_t state_before = dw_state.state;

    dw_output_write();
    dw_state.tick++;
    dw_output_count_down();
    advance_steps();
    take_requests(&events);
    advance_clocks(state_before);
    dw_input_sample(&events);
    watch_vessel();
    dw_limit_check(&events);
    dw_output_decide(&events);
    dw_output_arm(&events);
    if (dw_state.state == DW_PAUSED) {
        dw_state.open_to_go_on = dw_open_to_go_on();
    }
    dw_state.ticked = true;
}
