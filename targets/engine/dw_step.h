/* A step of a pour. */
#ifndef DW_STEP_H
#define DW_STEP_H

#include "dw_port.h"

#define DW_WAITING 0u
#define DW_RUNNING 1u
#define DW_ENDED 2u

/* While nothing is at work, a recipe that is read lies in what nobody looks at then: in `phase` the output, with
 * DW_AFTER_ALL, in `left` the amount, which is the weight of a dose, and of a stage its units of time. */
typedef struct {
    uint8_t output;
    uint8_t after_all;
    uint8_t phase;
    uint8_t starts;
    uint32_t planned;
    uint32_t left;
    uint32_t on;
} dw_step_t;

#define DW_AFTER_ALL 0x80u

#endif
