/* Frames and the requests in them; LINK.md says what they look like. */
#ifndef DW_LINK_H
#define DW_LINK_H

#include "dw_port.h"

/* Forget everything received or answered so far. */
void dw_link_start(void);

/* Take what was received, answer what is complete, send what there is room for. */
void dw_link_poll(void);

/* The answer under construction, in dw_serve.c and dw_link.c alone. */
typedef struct {
    uint8_t bytes[DW_FRAME_LIMIT - 2]; /* as before COBS: sequence, type, payload, CRC */
    uint8_t length;
} dw_frame_t;

/* Bytes of a payload that fit into a frame. */
#define DW_PAYLOAD_LIMIT (DW_FRAME_LIMIT - 6u)

void dw_frame_put8(dw_frame_t *frame, uint8_t value);
void dw_frame_put16(dw_frame_t *frame, uint16_t value);
void dw_frame_put32(dw_frame_t *frame, uint32_t value);

/* Carry out a request and append the payload of its answer. */
void dw_serve(uint8_t type, const uint8_t *payload, uint8_t length, dw_frame_t *reply);

#endif
