#include "dw_trace.h"

/* Indices are single bytes, each written by one side only, so that neither side needs a lock. */
static dw_trace_t ring[DW_TRACE_LENGTH + 1u];
static volatile uint8_t put_at;
static volatile uint8_t take_at;
static volatile uint16_t lost;

static uint8_t following(uint8_t index)
{
    return index == DW_TRACE_LENGTH ? 0 : (uint8_t)(index + 1u);
}

/* Called before the first tick, so needs no lock. */
void dw_trace_start(void)
{
    put_at = 0;
    take_at = 0;
    lost = 0;
}

/* Keeps the older entries: the beginning of what went wrong tells more than its end. */
void dw_trace_put(uint32_t tick, uint8_t code, uint8_t argument)
{
    uint8_t at = put_at;
    uint8_t next = following(at);

    if (next == take_at) {
        if (lost != UINT16_MAX) {
            lost = (uint16_t)(lost + 1u);
        }
        return;
    }
    ring[at].tick = tick;
    ring[at].code = code;
    ring[at].argument = argument;
    put_at = next;
}

/* Copies the entry before its place is given back to the tick; the lock keeps the compiler from swapping them. */
bool dw_trace_take(dw_trace_t *entry)
{
    uint8_t at = take_at;
    dw_lock_t lock;

    if (at == put_at) {
        return false;
    }
    lock = dw_port_lock();
    *entry = ring[at];
    take_at = following(at);
    dw_port_unlock(lock);
    return true;
}

/* Reads and clears in one go, so that a loss in between is not forgotten. */
uint16_t dw_trace_lost(void)
{
    dw_lock_t lock = dw_port_lock();
    uint16_t count = lost;

    lost = 0;
    dw_port_unlock(lock);
    return count;
}
