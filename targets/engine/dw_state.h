/* What the tick and the main loop share. Private to the engine.
 *
 * The tick owns everything here. The main loop reads under dw_port_lock, and writes only the request mailbox
 * (under the lock) and, while the engine is idle and nothing waits in the mailbox, the steps of the next pour and what
 * else is told of the last one.
 */
#ifndef DW_STATE_H
#define DW_STATE_H

#include "dw_engine.h"
#include "dw_step.h"
#include "machine.h"

/* Room in static arrays; a build whose counts are known at run time only says how much. */
#ifndef DW_OUTPUTS_CAPACITY
#define DW_OUTPUTS_CAPACITY DW_OUTPUTS
#define DW_CHANNELS_CAPACITY DW_CHANNELS
#define DW_INTERLOCKS_CAPACITY DW_INTERLOCKS
#define DW_BUTTONS_CAPACITY DW_BUTTONS
#define DW_GROUPS_CAPACITY DW_GROUPS
#define DW_PORTS_CAPACITY DW_PORTS
#endif
#define DW_OUTPUT_BYTES ((DW_OUTPUTS_CAPACITY + 7) / 8)

#define DW_JOG_STEP DW_STEPS_MAX /* the steps of a pour stay readable while something is jogged */

#define DW_ASKED_NOTHING 0u
#define DW_ASKED_POUR 1u
#define DW_ASKED_GO_ON 2u
#define DW_ASKED_JOG 3u
#define DW_ASKED_RENEWAL 4u
#define DW_ASKED_RELEASE 5u

/* What happened in a tick, gathered in the order of deciding and traced in the order of the codes. */
#define DW_POUR_BEGAN 1u
#define DW_WENT_ON 2u
#define DW_PAUSE_BEGAN 4u
#define DW_ABORTED 8u
#define DW_POUR_DONE 16u

/* What is used most comes first: an 8-bit core reaches the first 64 bytes behind a pointer with short instructions. */
typedef struct {
    /* Down to `served`, and the steps: left alone by a reset in mid-pour. */
    uint16_t mark; /* this program left it there */
    dw_answer_t why;
    uint8_t result;
    uint8_t count; /* steps of the last pour */
    uint16_t recipe;
    uint8_t serving;
    uint8_t state;
    bool served; /* this vessel has been poured into */
    uint32_t tick;
    uint32_t time_left[2]; /* of a pour, which stands still in a pause; of the pause or of the jog */
    uint32_t link_clock;
    dw_step_t *first, *end; /* the steps at work now; none when idle */
    uint8_t happened; /* in this tick */
    uint8_t asked;    /* the request that waits for the next tick */
    bool asked_stop;
    uint16_t closed; /* after a reset all count as open, and as not pressed, for their whole debounce time */
    uint16_t closed_changed; /* in this tick */
    uint16_t pressed;
    uint16_t pressed_changed;
    uint16_t newly_pressed; /* buttons whose requests are still to be made */
    uint16_t causes;        /* interlocks that made or kept the pause */
    uint16_t inrush_wait;   /* ticks until the inrush gap is over */
    bool over_link;         /* the last pour was asked for there */
    bool heard;             /* a request of the link, since the last tick */
    bool ticked;            /* since the main loop last looked */
    uint8_t on[DW_OUTPUT_BYTES]; /* the set of outputs that are on */
    uint16_t differing[DW_INTERLOCKS_CAPACITY + DW_BUTTONS_CAPACITY + 1]; /* samples in a row, of each input */
    uint16_t group_wait[DW_GROUPS_CAPACITY + 1]; /* ticks until a group is free */
    int32_t offset_ticks[DW_CHANNELS_CAPACITY];  /* of the doses of the last pour */
    dw_step_t steps[DW_STEPS_MAX + 1]; /* left alone as well */
} dw_state_t;

extern dw_state_t dw_state;

/* The same by an address that the compiler has to keep in a register: otherwise every access would carry it. */
static inline dw_state_t *dw_here(void)
{
    dw_state_t *here = &dw_state;

#if defined(__GNUC__)
    __asm__("" : "+r"(here));
#endif
    return here;
}

/* Interlocks in the mask that are open. */
static inline uint16_t dw_open(const dw_state_t *s, uint16_t mask)
{
    return (uint16_t)(mask & (uint16_t)~s->closed);
}

/* Bit i of a mask. */
static inline uint16_t dw_bit(uint8_t index)
{
    return (uint16_t)(1u << index);
}

/* The lowest bit set in a mask that is not 0. */
static inline uint8_t dw_lowest(uint16_t mask)
{
    uint8_t index = 0;

    while ((mask & 1u) == 0) {
        mask = (uint16_t)(mask >> 1);
        index++;
    }
    return index;
}

static inline bool dw_is_dose(const dw_step_t *step)
{
    return step->output < DW_CHANNELS;
}

/* Interlocks that an output needs while it runs: of a channel all that are needed while pouring. */
static inline uint16_t dw_needs(uint8_t output)
{
    return dw_rom16(&dw_outputs[output].needs);
}

/* dw_input.c: debounced inputs */
void dw_input_sample(dw_state_t *s);

/* dw_limit.c: what makes a pour or a jog pause or end */
void dw_limit_check(dw_state_t *s, bool time_is_over);
void dw_rest(dw_state_t *s);
void dw_abort(dw_state_t *s, uint8_t reason, uint8_t argument);
uint16_t dw_open_to_go_on(const dw_state_t *s);

/* dw_output.c: which step starts when, and the pins */
void dw_output_start(void);
void dw_output_leave(dw_state_t *s, dw_step_t *step, uint8_t phase);
void dw_output_write(void);
void dw_output_count_down(dw_state_t *s);
void dw_output_decide(dw_state_t *s);
void dw_output_arm(dw_state_t *s);

#endif
