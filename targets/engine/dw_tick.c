/* The tick: steps 1 and 2 of RULES.md, and the order of the rest. */
#include "dw_state.h"

dw_state_t dw_state DW_KEPT;

/* Time goes by for what was on until now, also when a stop of this very tick ends it. */
static void advance_steps(dw_state_t *s)
{
    dw_step_t *step;

    for (step = s->first; step != s->end; step++) {
        if (step->phase == DW_RUNNING) {
            step->left--;
            step->on++;
        }
    }
}

/* The main loop has written the steps and posted the request; from here on they are the tick's. */
static void begin_pour(dw_state_t *s)
{
    s->first = dw_state.steps;
    s->end = s->first + s->count;
    s->state = DW_POURING;
    s->served = DW_VESSEL_INTERLOCK != DW_NO_INTERLOCK;
    s->happened = DW_POUR_BEGAN;
}

/* A stop comes first. What was asked for after it was judged by how things stood before, and does nothing if the stop
 * has ended what it was meant for; else all is still as it was when the request was judged. */
static void take_requests(dw_state_t *s)
{
    uint8_t asked = s->asked;

    if (s->asked_stop && s->state != DW_IDLE) {
        if (s->state == DW_JOGGING) {
            dw_rest(s);
        } else {
            dw_abort(s, DW_STOP, 0);
        }
    } else if (asked == DW_ASKED_POUR) {
        begin_pour(s);
        s->time_left[0] = DW_POUR_LIMIT;
    } else if (asked == DW_ASKED_GO_ON) {
        s->state = DW_POURING;
        s->happened = DW_WENT_ON;
    } else if (asked == DW_ASKED_RELEASE) {
        dw_rest(s);
    } else if (asked != DW_ASKED_NOTHING) { /* a jog, or its renewal */
        s->first = dw_state.steps + DW_JOG_STEP;
        s->end = s->first + 1;
        s->state = DW_JOGGING;
        s->time_left[1] = DW_JOG_RENEWAL - 1u;
    }
    s->asked = DW_ASKED_NOTHING;
    s->asked_stop = false;
}

/* True when the time in this state was over before this tick. Counts only whole ticks spent in a state, so that the tick
 * of entering it is number 0. */
static bool advance_clocks(dw_state_t *s, uint8_t state_before)
{
    uint32_t *left;

    if (DW_LINK_LIMIT != 0u) {
        s->link_clock = s->heard ? 0 : s->link_clock + 1u;
        s->heard = false;
    }
    if (state_before == DW_IDLE || s->state != state_before) {
        return false;
    }
    left = &s->time_left[state_before >> 1]; /* DW_POURING has the first, DW_PAUSED and DW_JOGGING share the other */
    if (*left == 0) {
        return true;
    }
    (*left)--;
    return false;
}

/* True while a pour has a dose that has not ended. */
static bool dose_is_due(const dw_state_t *s)
{
    const dw_step_t *step;

    for (step = s->first; step != s->end; step++) {
        if (dw_is_dose(step) && step->phase != DW_ENDED && s->state != DW_JOGGING) {
            return true;
        }
    }
    return false;
}

/* A vessel that was taken away once all was in it makes room for the next. */
static void watch_vessel(dw_state_t *s)
{
    if (s->served && dw_open(s, dw_bit((uint8_t)(DW_VESSEL_INTERLOCK & 15u))) != 0 && !dose_is_due(s)) {
        s->served = false;
    }
}

DW_APART void dw_tick(void)
{
    dw_state_t *s = dw_here();
    uint8_t state_before = s->state;
    bool time_is_over;

    dw_output_write();
    s->tick++;
    s->happened = 0;
    dw_output_count_down(s);
    advance_steps(s);
    take_requests(s);
    time_is_over = advance_clocks(s, state_before);
    dw_input_sample(s);
    watch_vessel(s);
    dw_limit_check(s, time_is_over);
    dw_output_decide(s);
    dw_output_arm(s);
    s->ticked = true;
}
