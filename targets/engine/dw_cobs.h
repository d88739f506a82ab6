/* Consistent overhead byte stuffing (Cheshire and Baker 1999), in place, of at most 254 bytes: then it is the one byte in
 * front that makes it longer, and no byte moves. */
#ifndef DW_COBS_H
#define DW_COBS_H

#include <stdbool.h>
#include <stdint.h>

#include "dw_port.h"

/* Decode what stood before the 0x00: of the `length` bytes all but the first are content then. False when it is no COBS,
 * and after that the bytes are worth nothing. */
DW_CHECKED bool dw_cobs_decode(uint8_t *bytes, uint8_t length);

/* Encode the `length` bytes behind the first. */
void dw_cobs_encode(uint8_t *bytes, uint8_t length);

#endif
