/* What a target supplies: these functions, and a dw_target.h with
 *     DW_ROM                     attribute that puts a const table into program memory (empty where that needs none)
 *     dw_rom8(p), dw_rom16(p), dw_rom32(p)   read an u8, u16, u32 from there
 *     dw_offset_t                unsigned type that holds every offset into a record and every store address
 *     DW_FRAME_LIMIT             bytes of a frame on the wire, 64 .. 256
 *     DW_TRACE_LENGTH            places of the trace ring, a power of two, 8 .. 256
 *     DW_STORE_SIZE              bytes of the store
 *     DW_KEPT                    attribute of a variable that a reset leaves as it is (empty where there is no such memory)
 */
#ifndef DW_PORT_H
#define DW_PORT_H

#include <stdbool.h>
#include <stdint.h>

#include "dw_target.h"

/* Marks a function whose result must be looked at. */
#if defined(__GNUC__)
#define DW_CHECKED __attribute__((warn_unused_result))
#else
#define DW_CHECKED
#endif

/* Keeps a function from being built into its callers: where that takes room, or its stack is reckoned by its name. */
#if defined(__GNUC__)
#define DW_APART __attribute__((noinline))
#else
#define DW_APART
#endif

/* Write one byte to each of the machine's ports, only the bits of dw_port_owned. Called first in the tick. */
void dw_port_write(const uint8_t *image);

/* The levels of the pins of one port now. Called in the tick. */
uint8_t dw_port_read(uint8_t port);

/* Hold the tick interrupt off, for a few hundred cycles. Called in the main loop only, and never one within another. Both
 * are compiler barriers. */
void dw_port_lock(void);
void dw_port_unlock(void);

/* The next byte received, if there is one. */
DW_CHECKED bool dw_port_receive(uint8_t *byte);

/* Take one byte to send; false when there is no room now. */
DW_CHECKED bool dw_port_send(uint8_t byte);

/* Read a byte of the store. */
uint8_t dw_port_store_read(dw_offset_t address);

/* Records are read byte by byte from a place on, be it in program memory or in the store (dw_record.c). A target may bring
 * quicker places along: dw_in_rom and dw_in_store make them. */
#ifndef DW_OWN_PLACES
typedef uintptr_t dw_place_t;
uint8_t dw_next(dw_place_t *at); /* the byte there; goes on to the next */
#endif

/* Write a byte of the store and wait until it is there; false when it could not be written. */
DW_CHECKED bool dw_port_store_write(dw_offset_t address, uint8_t value);

#define DW_CAUSE_UNKNOWN 0u
#define DW_CAUSE_POWER 1u      /* power came on */
#define DW_CAUSE_RESET_LINE 2u /* somebody pulled the reset line: a button, or a host that opens the port */
#define DW_CAUSE_SUPPLY 3u     /* the supply was too low */
#define DW_CAUSE_WATCHDOG 4u   /* nobody fed it */

/* Why the controller was reset last. The same until the next reset. */
uint8_t dw_port_reset_cause(void);

/* Called once for each pass of the main loop in which a tick went by, and by what takes long in it: the main loop is alive.
 * Whether the tick is, too, is for the target to see. */
void dw_port_alive(void);

#endif
