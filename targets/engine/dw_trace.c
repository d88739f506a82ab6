#include "dw_trace.h"

#if DW_TRACE_LENGTH < 8 || DW_TRACE_LENGTH > 256 || (DW_TRACE_LENGTH & (DW_TRACE_LENGTH - 1)) != 0
#error "DW_TRACE_LENGTH is a power of two from 8 to 256"
#endif

#define HELD_MOST (DW_TRACE_LENGTH < 256 ? DW_TRACE_LENGTH : 255) /* a byte must say how many */

/* Each number is written by one side only, and of the one that is more than a byte the tick looks at the low byte alone: so
 * neither side needs a lock for them. */
static dw_trace_t ring[DW_TRACE_LENGTH];
static volatile uint8_t next;   /* low byte of the number of the next entry */
static uint16_t first; /* number of the oldest entry */
static volatile uint16_t lost;

/* Called before the first tick. */
void dw_trace_start(void)
{
    next = 0;
    first = 0;
    lost = 0;
}

/* Keeps the older entries: the beginning of what went wrong tells more than its end. */
void dw_trace_put(uint32_t tick, uint8_t code, uint8_t argument)
{
    uint8_t number = next;
    dw_trace_t *entry = &ring[number & (DW_TRACE_LENGTH - 1u)];

    if (dw_trace_held() == HELD_MOST) {
        lost = (uint16_t)(lost + 1u);
        return;
    }
    entry->tick = tick;
    entry->code = code;
    entry->argument = argument;
    next = (uint8_t)(number + 1u);
}

uint8_t dw_trace_held(void)
{
    return (uint8_t)(next - (uint8_t)first);
}

/* The lock is for the number of lost ones, and keeps the reading of entries before their being given back to the tick. */
uint16_t dw_trace_let_go(uint16_t number)
{
    uint16_t count;

    dw_port_lock();
    count = lost;
    if ((uint16_t)(number - first) <= dw_trace_held()) {
        first = number;
    }
    dw_port_unlock();
    return count;
}

uint16_t dw_trace_first(void)
{
    return first;
}

const dw_trace_t *dw_trace_entry(uint16_t number)
{
    return &ring[number & (DW_TRACE_LENGTH - 1u)];
}
