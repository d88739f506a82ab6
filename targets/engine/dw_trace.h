/* The trace: a ring filled by the tick and drained by the main loop. */
#ifndef DW_TRACE_H
#define DW_TRACE_H

#include <stdbool.h>
#include <stdint.h>

#include "dw_port.h"

#define DW_TRACE_POUR 1u
#define DW_TRACE_GO_ON 2u
#define DW_TRACE_INPUT 3u
#define DW_TRACE_PAUSE 4u
#define DW_TRACE_ABORT 5u
#define DW_TRACE_OFF 6u
#define DW_TRACE_ON 7u
#define DW_TRACE_DONE 8u

#define DW_TRACE_CLOSED 128u /* added to the argument of an input that closed or was pressed */

typedef struct {
    uint32_t tick;
    uint8_t code;
    uint8_t argument;
} dw_trace_t;

/* Empty the ring. */
void dw_trace_start(void);

/* From the tick: one entry more, or one lost when the ring is full. */
void dw_trace_put(uint32_t tick, uint8_t code, uint8_t argument);

/* From the main loop: take the oldest entry; false when there is none. */
DW_CHECKED bool dw_trace_take(dw_trace_t *entry);

/* From the main loop: how many entries were lost since this was last asked. */
uint16_t dw_trace_lost(void);

#endif
