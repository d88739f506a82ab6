#include "dw_cobs.h"

/* Each code tells how far it is to the next one, where a zero was. */
bool dw_cobs_decode(uint8_t *bytes, uint8_t length)
{
    do {
        uint8_t code = *bytes;

        if (code == 0 || code > length) {
            return false;
        }
        *bytes = 0;
        bytes += code;
        length = (uint8_t)(length - code);
    } while (length != 0);
    return true;
}

/* From the end to the front, for there the distance to the next zero is known already. */
void dw_cobs_encode(uint8_t *bytes, uint8_t length)
{
    uint8_t distance = 1;

    for (bytes += length; length != 0; length--) {
        if (*bytes == 0) {
            *bytes = distance;
            distance = 0;
        }
        distance++;
        bytes--;
    }
    *bytes = distance;
}
