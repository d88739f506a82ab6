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

/* A byte of the EEPROM without a call, after all records were looked at with dw_port_store_read. Each write waits for its
 * own end: what is being written still will never end. */
static inline uint8_t avr_store8(uint16_t address)
{
    if ((EECR & 1u << EEPE) != 0) {
        return 0xFFu;
    }
    EEAR = address;
    EECR |= 1u << EERE;
    return EEDR;
}
#define dw_store8(address) avr_store8(address)

#endif
