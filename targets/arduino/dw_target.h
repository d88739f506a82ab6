/* What the engine wants to know of a board that the Arduino API drives. */
#ifndef DW_TARGET_H
#define DW_TARGET_H

#include <stdint.h>

#if defined(__AVR__)
#include <avr/io.h>
#include <avr/pgmspace.h>
#define DW_ROM PROGMEM
#define dw_rom8(p) pgm_read_byte(p)
#define dw_rom16(p) pgm_read_word(p)
#define dw_rom32(p) pgm_read_dword(p)
#define DW_KEPT __attribute__((section(".noinit")))
#else
#define DW_ROM
#define dw_rom8(p) (*(p))
#define dw_rom16(p) (*(p))
#define dw_rom32(p) (*(p))
#define DW_KEPT
#endif

typedef uint16_t dw_offset_t;

/* How the board keeps what it is sent. Only where single bytes are written does a power cut in the middle of an upload
 * leave all old or all new. */
#define DW_STORE_BYTES 1  /* an EEPROM */
#define DW_STORE_PAGES 2  /* flash in the place of one: whole pages are erased and written */
#define DW_STORE_MEMORY 3 /* none: what is sent lasts until power goes */

#if defined(ARDUINO_ARCH_AVR)
#define DW_STORE_KIND DW_STORE_BYTES
#define DW_STORE_SIZE (E2END + 1u)
#elif defined(ARDUINO_ARCH_MEGAAVR)
#define DW_STORE_KIND DW_STORE_BYTES
#define DW_STORE_SIZE EEPROM_SIZE
#elif defined(ARDUINO_ARCH_ESP32) || defined(ARDUINO_ARCH_ESP8266)
#define DW_STORE_KIND DW_STORE_PAGES
#define DW_STORE_SIZE 4096u
#else
#define DW_STORE_KIND DW_STORE_MEMORY
#define DW_STORE_SIZE 4096u
#endif

/* The Arduino core takes a quarter of the 2 KiB of the smallest boards before the engine gets any. */
#if defined(RAMEND) && RAMEND < 0x1000
#define DW_FRAME_LIMIT 96u
#define DW_TRACE_LENGTH 16u
#else
#define DW_FRAME_LIMIT 256u
#define DW_TRACE_LENGTH 128u
#endif

#endif
