/* What the engine wants to know of an AVR with at least 1 KiB of EEPROM. */
#ifndef DW_TARGET_H
#define DW_TARGET_H

#include <avr/io.h>
#include <avr/pgmspace.h>
#include <stdint.h>

#include "chip.h"

#define DW_ROM PROGMEM
#define dw_rom8(p) pgm_read_byte(p)
#define dw_rom16(p) pgm_read_word(p)
#define dw_rom32(p) pgm_read_dword(p)
#define DW_KEPT __attribute__((section(".noinit")))

typedef uint16_t dw_offset_t;

#define DW_STORE_SIZE (E2END + 1u)

/* A place is an address of program memory, in whose first 16 KiB all tables lie, or with this bit the address before one of
 * the EEPROM. A byte is fetched from program memory in any case, as that is quickest; there is some behind each place. */
#define DW_OWN_PLACES
#define DW_OWN_READER /* recipes.c */
#define AVR_IN_STORE 0x4000u
typedef uint16_t dw_place_t;

#define dw_in_rom(bytes) ((dw_place_t)(bytes))
#define dw_in_store(address) ((dw_place_t)((address) + (AVR_IN_STORE - 1u)))

#define AVR_NEXT "lpm r24, Z+\n\tsbrc r31, 6\n\t%~call avr_store_next\n\t"

__attribute__((always_inline)) static inline uint8_t dw_next(dw_place_t *at)
{
    uint8_t byte;

    __asm__ volatile(AVR_NEXT "mov %0, r24" : "=r"(byte), "+z"(*at) : : "r24");
    return byte;
}

#endif
