/* Frames and the requests in them; LINK.md says what they look like. */
#ifndef DW_LINK_H
#define DW_LINK_H

#include "dw_port.h"

/* Forget everything received or answered so far. */
void dw_link_start(void);

/* Take what was received, answer a request if one is complete, send what there is room for. */
void dw_link_poll(void);

/* Append to the payload of the answer under construction. */
void dw_reply8(uint8_t value);
void dw_reply16(uint16_t value);
void dw_reply32(uint32_t value);

/* Bytes that still fit into it. */
uint8_t dw_reply_room(void);

/* The byte after those appended so far: a count that is known only later goes there. */
uint8_t *dw_reply_here(void);

/* True for a request that is not done again when it is repeated because its answer was lost. */
DW_CHECKED bool dw_serve_once(uint8_t type);

/* Carry out a request and append the payload of its answer. */
void dw_serve(uint8_t type, const uint8_t *payload, uint8_t length);

#endif
