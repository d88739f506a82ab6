; Where the order of instructions counts: after a reset, and at the entry of the interrupts.

#include <avr/io.h>
#include "chip.h"
#include "flags.h"
#include "machine.h"

; Outputs first. The stack and r1 are set up before .init3.
    .section .init3, "ax", @progbits
    call avr_outputs_off
    mov r24, r2
    call avr_keep_reason
    ldi r24, AVR_NO_REASON
    mov r2, r24

    .text

; Around a call of C, with SREG in r0: the registers that C does not give back, but for r24.
.macro SAVE
    push r0
    push r1
    clr r1
    push r18
    push r19
    push r20
    push r21
    push r22
    push r23
    push r25
    push r26
    push r27
    push r30
    push r31
.endm
.macro GIVE_BACK
    pop r31
    pop r30
    pop r27
    pop r26
    pop r25
    pop r23
    pop r22
    pop r21
    pop r20
    pop r19
    pop r18
    pop r1
    pop r0
.endm

; The tick: the pins first of all. Nothing here touches a flag, so SREG need not be saved. The registers are kept in
; places of their own, which, other than a stack, gives them back in any order. Ports without outputs are left out: the
; fewer are written, the closer together their pins change.
    .macro if_used index, instruction:vararg
    .if DW_OUTPUT_PORTS >> \index & 1
    \instruction
    .endif
    .endm
#define KEEP(index, letter, reg, store, address) if_used index, sts kept + index, reg $
#define LOAD(index, letter, reg, store, address) if_used index, lds reg, avr_armed + index $
#define STORE(index, letter, reg, store, address) if_used index, store address(PORT##letter), reg $
#define RESTORE(index, letter, reg, store, address) if_used index, lds reg, kept + index $

    .lcomm kept, CHIP_PORT_COUNT

    .global TIMER1_COMPA_vect
    .type TIMER1_COMPA_vect, @function
TIMER1_COMPA_vect:
    CHIP_PORTS(KEEP)
    CHIP_PORTS(LOAD)
    CHIP_PORTS(STORE)
    CHIP_PORTS(RESTORE)
    ; fall through: what else the tick has to do
.Lrest_of_tick:
    push r0
    in r0, _SFR_IO_ADDR(SREG)
    SAVE
    push r24
    call avr_tick_rest
    pop r24
    GIVE_BACK
    out _SFR_IO_ADDR(SREG), r0
    pop r0
    reti
    .size TIMER1_COMPA_vect, . - TIMER1_COMPA_vect

; The serial handler, for both directions: masks itself and lets the tick in before it saves anything else; lets
; none of its own in before all is restored. avr_serial_move leaves in GPIOR1 what the control register is to be.
; A tick that comes meanwhile writes the pins and leaves the rest, which takes long, to the end of this handler: else
; received bytes would be lost. The bits of GPIOR0 that say so can be set and tested without touching a flag.
    .global USART_RX_vect
    .global USART_UDRE_vect
    .type USART_RX_vect, @function
USART_RX_vect:
USART_UDRE_vect:
    push r24
    ldi r24, (1 << RXEN0) | (1 << TXEN0)
    sts _SFR_MEM_ADDR(UCSR0B), r24
    sbi _SFR_IO_ADDR(GPIOR0), AVR_SERIAL_WORKS
    sei
    push r0
    in r0, _SFR_IO_ADDR(SREG)
    SAVE
    call avr_serial_move
    GIVE_BACK
    out _SFR_IO_ADDR(SREG), r0
    pop r0
    cli
    in r24, _SFR_IO_ADDR(GPIOR1)
    sts _SFR_MEM_ADDR(UCSR0B), r24
    pop r24
    cbi _SFR_IO_ADDR(GPIOR0), AVR_SERIAL_WORKS
    sbis _SFR_IO_ADDR(GPIOR0), AVR_TICK_WAITS
    reti
    jmp .Lrest_of_tick
    .size USART_RX_vect, . - USART_RX_vect
