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

/* True when memory tells of a pour that a reset ended, be it this reset or one before it. */
static bool tells_of_a_pour(uint8_t cause)
{
    if ((cause != DW_CAUSE_RESET_LINE && cause != DW_CAUSE_WATCHDOG) || dw_state.mark != MARK ||
        dw_state.count > DW_STEPS_MAX) {
        return false;
    }
    return dw_state.state == DW_POURING || dw_state.state == DW_PAUSED ||
           (dw_state.state == DW_IDLE && dw_state.why.reason == DW_RESET);
}

/* Sets every variable but what tells of a pour that a reset ended. Its vessel counts as present until it is seen to be
 * gone, for there is something in it. */
void dw_start(uint32_t tick)
{
    uint8_t cause = dw_port_reset_cause();
    bool kept = tells_of_a_pour(cause);

    if (kept && dw_state.state != DW_IDLE) {
        dw_state.why = dw_answer(DW_RESET, cause);
        dw_state.result = DW_RESULT_ABORTED;
    }
    (void)memset(&dw_state, 0, kept ? offsetof(dw_state_t, why) : sizeof dw_state);
    if (kept && DW_VESSEL_INTERLOCK != DW_NO_INTERLOCK) {
        dw_state.served = true;
        dw_state.closed = dw_bit((uint8_t)(DW_VESSEL_INTERLOCK & 15u));
    }
    dw_state.mark = MARK;
    dw_state.tick = tick;
    dw_state.first = dw_state.steps;
    dw_state.end = dw_state.steps;
    dw_trace_start();
    dw_output_start();
    dw_link_start();
    dw_store_start();
}

/* Reports life only when the tick was alive too. */
void dw_poll(void)
{
    dw_lock_t lock = dw_port_lock();
    bool ticked = dw_state.ticked;

    dw_state.ticked = false;
    dw_port_unlock(lock);
    if (ticked) {
        dw_port_alive();
    }
    dw_serve_buttons();
    dw_link_poll();
}
