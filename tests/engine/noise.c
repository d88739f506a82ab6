/* Frames are made here by code of its own, from LINK.md, and not by the engine's. */
#include "noise.h"

#define LONGEST 16u /* bytes of a frame without its CRC */

static uint32_t state = 1;

void noise_seed(uint32_t seed)
{
    state = seed;
}

/* Marsaglia's xorshift, 32 bits. */
uint32_t noise_below(uint32_t limit)
{
    state ^= state << 13;
    state ^= state >> 17;
    state ^= state << 5;
    return state % limit;
}

/* CRC-16/IBM-3740, bit by bit. */
static uint32_t crc16(const uint8_t *bytes, unsigned length)
{
    uint32_t crc = 0xFFFFu;
    unsigned i, bit;

    for (i = 0; i < length; i++) {
        crc ^= (uint32_t)bytes[i] << 8;
        for (bit = 0; bit < 8u; bit++) {
            crc = (crc << 1 ^ ((crc & 0x8000u) != 0 ? 0x1021u : 0u)) & 0xFFFFu;
        }
    }
    return crc;
}

/* COBS of a frame shorter than 254 bytes: each zero, and the one before the first byte, says how far it is to the next. */
static unsigned encode(const uint8_t *bare, unsigned length, uint8_t *frame)
{
    unsigned code = 0;
    unsigned i;

    for (i = 0; i < length; i++) {
        frame[i + 1u] = bare[i];
        if (bare[i] == 0) {
            frame[code] = (uint8_t)(i + 1u - code);
            code = i + 1u;
        }
    }
    frame[code] = (uint8_t)(length + 1u - code);
    frame[length + 1u] = 0;
    return length + 2u;
}

/* A frame of a request that asks only, at times damaged. */
static unsigned request(uint8_t *frame)
{
    static const uint8_t types[] = { 1, 5, 6, 32, 34, 5, 99 };
    uint8_t bare[LONGEST];
    unsigned length = 2u + noise_below(12);
    unsigned i;
    uint32_t crc;

    bare[0] = (uint8_t)noise_below(256);
    bare[1] = types[noise_below(sizeof types)];
    for (i = 2; i < length; i++) {
        bare[i] = (uint8_t)(i == 2 ? 'R' : noise_below(4) == 0 ? noise_below(256) : 0u);
    }
    crc = crc16(bare, length);
    bare[length] = (uint8_t)(crc >> 8);
    bare[length + 1u] = (uint8_t)(crc & 0xFFu);
    length = encode(bare, length + 2u, frame);
    for (i = 0; i < length; i++) {
        if (noise_below(200) == 0) {
            frame[i] = (uint8_t)noise_below(256);
        }
    }
    return length;
}

unsigned noise_arrives(uint8_t *line, unsigned most)
{
    uint32_t burst = noise_below(4);
    uint8_t frame[LONGEST + 4u];
    unsigned length = 0;
    unsigned i, of_frame;

    while (length < 200u && length < most) {
        if (burst == 0) {
            line[length] = (uint8_t)noise_below(256);
            length++;
        } else {
            of_frame = request(frame);
            for (i = 0; i < of_frame && length < most; i++) {
                line[length] = frame[i];
                length++;
            }
        }
    }
    return length;
}
