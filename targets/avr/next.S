; The way of dw_next to the EEPROM: the byte at Z, but for AVR_IN_STORE, in r24. Nothing else changes.

#include <avr/io.h>

    .section .text.avr_store_next, "ax", @progbits
    .global avr_store_next
    .type avr_store_next, @function
avr_store_next:
    mov r24, r31
    andi r24, 0x3F
    out _SFR_IO_ADDR(EEARH), r24
    out _SFR_IO_ADDR(EEARL), r30
    sbi _SFR_IO_ADDR(EECR), EERE
    in r24, _SFR_IO_ADDR(EEDR)
    sbic _SFR_IO_ADDR(EECR), EEPE ; each write waits for its own end: what is being written still will never end
    ldi r24, 0xFF
    ret
    .size avr_store_next, . - avr_store_next
