/* Between the parts of the AVR port. */
#ifndef AVR_PORT_H
#define AVR_PORT_H

#include <stdbool.h>
#include <stdint.h>

/* Why the chip was reset last: the bits of MCUSR. Kept over resets until power goes. */
extern uint8_t avr_reset_reason;

/* Timer 1: the tick. */
void avr_tick_start(void);

/* Called from vectors.S alone. */
void avr_tick_rest(void);

/* USART 0: 115200 8N1. */
void avr_serial_start(void);

/* Feed the watchdog, if a tick has gone by since it was last fed and none was missed. */
void avr_feed(void);

#endif
