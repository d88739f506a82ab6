/* The engine as a target's main program sees it, and the requests that buttons and link make of it.
 *
 * The target calls dw_start once, dw_tick in the tick interrupt, dw_poll over and over in its main loop.
 * Everything else here belongs to the main loop. RULES.md beside this file says what happens when.
 */
#ifndef DW_ENGINE_H
#define DW_ENGINE_H

#include <stdbool.h>
#include <stdint.h>

#include "dw_port.h"

#define DW_IDLE 0u
#define DW_POURING 1u
#define DW_PAUSED 2u
#define DW_JOGGING 3u

#define DW_RESULT_NONE 0u
#define DW_RESULT_DONE 1u
#define DW_RESULT_ABORTED 2u

#define DW_OK 0u
#define DW_STOP 1u
#define DW_INTERLOCK 2u
#define DW_MAX_ON 3u
#define DW_POUR_TOO_LONG 4u
#define DW_PAUSE_TOO_LONG 5u
#define DW_BUSY 6u
#define DW_NO_RECIPES 7u
#define DW_NO_CALIBRATION 8u
#define DW_UNKNOWN_RECIPE 9u
#define DW_UNKNOWN_SERVING 10u
#define DW_VESSEL_TOO_SMALL 11u
#define DW_NOT_CALIBRATED 12u
#define DW_DOSE_TOO_SMALL 13u
#define DW_DOSE_TOO_LONG 14u
#define DW_VESSEL_NOT_CHANGED 15u
#define DW_NOTHING_TO_GO_ON_WITH 16u
#define DW_NO_SUCH_OUTPUT 17u
#define DW_UNKNOWN_REQUEST 18u
#define DW_BAD_LENGTH 19u
#define DW_WRONG_INTERFACE 20u
#define DW_WRONG_UNIT 21u
#define DW_OUT_OF_RANGE 22u
#define DW_BAD_RECORD 23u
#define DW_STORE_FAILED 24u
#define DW_LINK_LOST 25u
#define DW_RESET 26u

/* A reason of RULES.md and its argument; DW_OK and 0 when all went well. */
typedef struct {
    uint8_t reason;
    uint8_t argument;
} dw_answer_t;

static inline dw_answer_t dw_answer(uint8_t reason, uint8_t argument)
{
    dw_answer_t answer = { reason, argument };

    return answer;
}

/* Bring everything to its state after a reset, with the clock at this tick. */
void dw_start(uint32_t tick);

/* One tick: write what was decided for this one, then decide the next. */
void dw_tick(void);

/* One pass of the main loop: the buttons' requests, then the link. */
void dw_poll(void);

/* The requests of the buttons that became pressed since the last call; dw_poll makes them before those of the link. */
void dw_serve_buttons(void);

/* The requests of RULES.md. */
DW_CHECKED dw_answer_t dw_pour(uint16_t recipe, uint8_t serving);
DW_CHECKED dw_answer_t dw_pour_over_link(uint16_t recipe, uint8_t serving);
DW_CHECKED dw_answer_t dw_go_on(void);
DW_CHECKED dw_answer_t dw_jog(uint8_t output, bool on);
void dw_stop(void);

/* A request of the link was answered. */
void dw_heard(void);

/* True when nothing runs and nothing waits to run: the store may be written. */
DW_CHECKED bool dw_is_idle(void);

/* How things stand. */
typedef struct {
    uint8_t state;
    uint8_t result;
    dw_answer_t why; /* of the last abort or pause */
    uint32_t tick;
    uint16_t recipe;
    uint8_t serving;
    uint16_t closed;
    uint16_t pressed;
} dw_status_t;

void dw_get_status(dw_status_t *status);

/* One byte of the set of outputs that are on: output 8 * index + bit. */
uint8_t dw_outputs_on(uint8_t index);

/* A step of the last pour as it was carried out. */
typedef struct {
    uint8_t output;
    uint8_t starts;
    uint32_t planned;
    uint32_t on;
} dw_booked_t;

/* Step number `index` of the last pour; false when there is none. */
DW_CHECKED bool dw_get_booked(uint8_t index, dw_booked_t *booked);

#endif
