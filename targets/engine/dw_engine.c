/* Start, and the main loop's pass. */
#include "dw_engine.h"

#include <stddef.h>
#include <string.h>

#include "dw_link.h"
#include "dw_state.h"
#include "dw_store.h"
#include "dw_trace.h"

/* Another program, or this one for another machine, leaves something else. */
#define MARK ((uint16_t)(0xD05Eu ^ (DW_INTERFACE & 0xFFFFu) ^ sizeof dw_state))

/* True when memory is as it was before the reset. */
DW_APART static bool is_kept(const dw_state_t *s, uint8_t cause)
{
    return (cause == DW_CAUSE_RESET_LINE || cause == DW_CAUSE_WATCHDOG) && s->mark == MARK && s->count <= DW_STEPS_MAX;
}

/* Sets every variable but what tells of a pour that a reset ended, be it this reset or one before it, and of the vessel: if
 * there is something in it, it counts as present until it is seen to be gone. */
void dw_start(uint32_t tick)
{
    dw_state_t *s = dw_here();
    uint8_t cause = dw_port_reset_cause();

    if (!is_kept(s, cause)) {
        (void)memset(s, 0, offsetof(dw_state_t, tick));
    } else if (s->why.reason != DW_RESET) {
        if (s->state == DW_POURING || s->state == DW_PAUSED) {
            s->result = DW_RESULT_ABORTED;
            s->why.argument = cause;
            s->why.reason = DW_RESET; /* last: another reset then finds it kept */
        } else {
            (void)memset(&s->why, 0, offsetof(dw_state_t, served) - offsetof(dw_state_t, why));
        }
    }
    s->state = DW_IDLE;
    (void)memset(&s->tick, 0, offsetof(dw_state_t, steps) - offsetof(dw_state_t, tick));
    if (s->served) {
        s->closed = dw_bit((uint8_t)(DW_VESSEL_INTERLOCK & 15u));
    }
    s->mark = MARK;
    s->tick = tick;
    s->first = dw_state.steps;
    s->end = s->first;
    dw_trace_start();
    dw_output_start();
    dw_link_start();
    dw_store_start();
}

/* Reports life only when the tick was alive too. */
void dw_poll(void)
{
    bool ticked;

    dw_port_lock();
    ticked = dw_state.ticked;
    dw_state.ticked = false;
    dw_port_unlock();
    if (ticked) {
        dw_port_alive();
    }
    dw_serve_buttons();
    dw_link_poll();
}
