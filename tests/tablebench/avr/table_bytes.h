/* Tables in the flash of an AVR. */
#ifndef TABLE_BYTES_H
#define TABLE_BYTES_H

#include <avr/pgmspace.h>
#include <stdint.h>

#include "table.h"

#define COMPACT_CHANNELS TABLE_CHANNELS
#define COMPACT_STAGES TABLE_STAGES

typedef uint16_t table_address_t;

static inline uint8_t table_byte(table_address_t at) { return pgm_read_byte((const uint8_t *)at); }

/* The byte at *at, which moves on by one: a single instruction, which the compiler does not find by itself. */
static inline uint8_t table_next(table_address_t *at)
{
    uint8_t byte;
    __asm__("lpm %0, Z+" : "=r"(byte), "+z"(*at));
    return byte;
}

#endif
