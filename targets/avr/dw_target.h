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

#endif
