#include "dw_cobs.h"

#define BLOCK 254u

bool dw_cobs_decode(uint8_t *bytes, uint8_t length, uint8_t *decoded)
{
    uint8_t from = 0;
    uint8_t to = 0;

    if (length == 0) {
        return false;
    }
    while (from < length) {
        uint8_t code = bytes[from];
        uint8_t i;

        from++;
        if (code == 0 || code - 1u > (unsigned)(length - from)) {
            return false;
        }
        for (i = 1; i < code; i++) {
            if (bytes[from] == 0) {
                return false;
            }
            bytes[to] = bytes[from];
            to++;
            from++;
        }
        if (code <= BLOCK && from < length) {
            bytes[to] = 0;
            to++;
        }
    }
    *decoded = to;
    return true;
}

void dw_cobs_begin(dw_cobs_t *cobs)
{
    cobs->at = 0;
    cobs->left = 0;
    cobs->skip = false;
    cobs->more = true;
    cobs->ended = false;
}

/* Looks ahead for the next zero, since a block's code comes before its bytes. */
static uint8_t begin_block(dw_cobs_t *cobs, const uint8_t *bytes, uint8_t length)
{
    if (cobs->skip) {
        cobs->at++;
    }
    while (cobs->left < BLOCK && cobs->at + cobs->left < length && bytes[cobs->at + cobs->left] != 0) {
        cobs->left++;
    }
    cobs->more = cobs->at + cobs->left < length;
    cobs->skip = cobs->more && cobs->left < BLOCK;
    return (uint8_t)(cobs->left + 1u);
}

bool dw_cobs_next(dw_cobs_t *cobs, const uint8_t *bytes, uint8_t length, uint8_t *byte)
{
    if (cobs->ended) {
        return false;
    }
    if (cobs->left != 0) {
        *byte = bytes[cobs->at];
        cobs->at++;
        cobs->left--;
    } else if (cobs->more) {
        *byte = begin_block(cobs, bytes, length);
    } else {
        *byte = 0;
        cobs->ended = true;
    }
    return true;
}
