#ifndef AVR_FLAGS_H
#define AVR_FLAGS_H

/* Bits of GPIOR0, which can be set and cleared in one instruction. */
#define AVR_SERIAL_WORKS 0 /* the serial handler is at work */
#define AVR_TICK_WAITS 1   /* a tick came meanwhile */
#define AVR_LOCKED 2       /* the main program must not be disturbed, or a tick is being decided */

/* What r2 holds while the program runs (-ffixed-r2), for the usual bootloader hands over the reason of a reset in it: one
 * that hands over nothing leaves this there, which is no reason. */
#define AVR_NO_REASON 0xF0

#endif
