/* Start, and the main loop's pass. */
#include "dw_engine.h"

#include <string.h>

#include "dw_link.h"
#include "dw_state.h"
#include "dw_store.h"
#include "dw_trace.h"

/* Sets every variable, for a target may restart the engine without clearing its memory. */
void dw_start(uint32_t tick)
{
    (void)memset(&dw_state, 0, sizeof dw_state);
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
