/* Bits of GPIOR0, between the interrupts. */
#ifndef AVR_FLAGS_H
#define AVR_FLAGS_H

#define AVR_SERIAL_WORKS 0 /* the serial handler is at work */
#define AVR_TICK_WAITS 1   /* a tick came meanwhile */

#endif
