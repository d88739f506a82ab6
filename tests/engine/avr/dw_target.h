/* Enough of an 8-bit controller to compile the engine for it. */
#ifndef DW_TARGET_H
#define DW_TARGET_H

#include <avr/pgmspace.h>
#include <stdint.h>

#define DW_ROM PROGMEM
#define dw_rom8(p) pgm_read_byte(p)
#define dw_rom16(p) pgm_read_word(p)
#define dw_rom32(p) pgm_read_dword(p)
#define DW_KEPT __attribute__((section(".noinit")))

typedef uint16_t dw_offset_t;

#define DW_FRAME_LIMIT 96u
#define DW_TRACE_LENGTH 16u
#define DW_STORE_SIZE 1024u

#endif
