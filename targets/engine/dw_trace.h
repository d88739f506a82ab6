/* The trace: a ring filled by the tick and read by the main loop. Its entries have numbers that go on for ever, mod 2^16. */
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

/* From the main loop: let go of all entries before this number; of none when the ring neither holds an entry of that number
 * nor gets it next. Returns how many entries were lost since the start, mod 2^16. */
uint16_t dw_trace_let_go(uint16_t number);

/* From the main loop: the number of the oldest entry held, how many are held, and one of them. */
uint16_t dw_trace_first(void);
uint8_t dw_trace_held(void);
const dw_trace_t *dw_trace_entry(uint16_t number);

#endif
