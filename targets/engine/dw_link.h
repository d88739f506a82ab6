/* Frames and the requests in them; LINK.md says what they look like. */
#ifndef DW_LINK_H
#define DW_LINK_H

#include "dw_engine.h"

/* Bytes of an answer behind its reason and argument, and of a request behind its type, at most. */
#define DW_ANSWER_MOST (DW_FRAME_LIMIT - 8u)
#define DW_REQUEST_MOST (DW_FRAME_LIMIT - 6u)

/* Forget everything received or answered so far. */
void dw_link_start(void);

/* Take what was received, answer a request if one is complete, send what there is room for. */
void dw_link_poll(void);

/* The requests of LINK.md: carry one out. Writes what follows reason and argument in the answer to `reply`, which is two
 * bytes behind the beginning of the payload: whatever is wanted of that is read first. Returns the end of what was
 * written. A request that was `repeated` and is to be done only once leaves everything as it is. */
uint8_t *dw_serve(uint8_t *frame, uint8_t length, bool repeated, dw_answer_t *answer);

#endif
