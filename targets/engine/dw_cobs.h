/* Consistent overhead byte stuffing (Cheshire and Baker 1999), one byte at a time or in place. */
#ifndef DW_COBS_H
#define DW_COBS_H

#include <stdbool.h>
#include <stdint.h>

#include "dw_port.h"

/* Decode in place what stood before the 0x00; false when it is no COBS. */
DW_CHECKED bool dw_cobs_decode(uint8_t *bytes, uint8_t length, uint8_t *decoded);

/* Encodes from a buffer that stays as it is, so that an answer can be sent again. */
typedef struct {
    uint8_t at;   /* next byte of the source */
    uint8_t left; /* bytes of this block still to come */
    bool skip;    /* the zero after this block is said by the next block's code */
    bool more;    /* another block follows */
    bool ended;
} dw_cobs_t;

void dw_cobs_begin(dw_cobs_t *cobs);

/* The next byte of the encoding, 0x00 at its end; false after that. */
DW_CHECKED bool dw_cobs_next(dw_cobs_t *cobs, const uint8_t *bytes, uint8_t length, uint8_t *byte);

#endif
