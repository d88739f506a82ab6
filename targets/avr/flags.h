/* Bits of GPIOR0, which can be set and cleared in one instruction. */
#ifndef AVR_FLAGS_H
#define AVR_FLAGS_H

#define AVR_SERIAL_WORKS 0 /* the serial handler is at work */
#define AVR_TICK_WAITS 1   /* a tick came meanwhile */
#define AVR_LOCKED 2       /* the main program must not be disturbed, or a tick is being decided */

#endif
