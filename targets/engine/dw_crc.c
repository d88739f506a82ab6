#include "dw_crc.h"

/* The byte-wise form without a table: a few shifts, quick enough for the receive path of an 8-bit core. */
uint16_t dw_crc16(const uint8_t *bytes, uint8_t length)
{
    uint16_t crc = 0xFFFFu;

    for (; length != 0; length--) {
        uint8_t x = (uint8_t)((crc >> 8) ^ *bytes);

        x = (uint8_t)(x ^ (x >> 4));
        crc = (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)((uint16_t)x << 12) ^ (uint16_t)((uint16_t)x << 5) ^ x);
        bytes++;
    }
    return crc;
}

/* Bit by bit: records are checked once, so smallness counts. */
uint32_t dw_crc32(uint32_t crc, uint8_t byte)
{
    uint8_t i;

    crc ^= byte;
    for (i = 0; i < 8u; i++) {
        crc = (crc & 1u) ? (crc >> 1) ^ 0xEDB88320ul : crc >> 1;
    }
    return crc;
}
