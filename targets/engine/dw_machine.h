/* What the generated machine.h is made of: the types of its tables, and what each of its names means.
 *
 * machine.h begins with
 *     #define DW_MACHINE_FORMAT 2
 *     #include "dw_machine.h"
 * so that a header written for another engine is refused by the compiler, then defines the macros and tables
 * listed here. Every table is declared `extern const`, and defined where DW_MACHINE_TABLES is defined, which one
 * file of the engine does. ISO C has no array of length zero: a table without entries has one of zeros.
 *
 * Macros (times in ticks, volumes in quanta of 2^-8 microlitre, masks: bit i is interlock i):
 *     DW_CHANNELS          1 .. 64    the first so many outputs
 *     DW_OUTPUTS           1 .. 64    channels, then stages
 *     DW_INTERLOCKS        0 .. 16
 *     DW_BUTTONS           0 .. 16
 *     DW_GROUPS            0 .. 64
 *     DW_PORTS             1 .. 32    port bytes the machine writes or reads, by the target's own index
 *     DW_OUTPUT_PORTS      bit i: port i has outputs; plain hexadecimal, for assemblers, which see the macros alone
 *     DW_STEPS_MAX         1 .. 64    steps of the longest recipe this firmware can pour
 *     DW_TICK_US           microseconds, u16
 *     DW_SUPPLY_MA         milliamperes, 0 .. 65535
 *     DW_INRUSH_GAP        u16, 0: none
 *     DW_POUR_LIMIT        u32, below 2^31
 *     DW_PAUSE_LIMIT       u32, below 2^31
 *     DW_LINK_LIMIT        u32, below 2^31, 0: none
 *     DW_JOG_RENEWAL       u32, 1 .. 2^31-1
 *     DW_VESSEL_QUANTA     u32: no serving above it is poured
 *     DW_VESSEL_INTERLOCK  index of the interlock that detects the vessel, 255: none
 *     DW_START_MASK        interlocks needed to start
 *     DW_POURING_MASK      needed while pouring
 *     DW_ALWAYS_MASK       needed always
 *     DW_ABORT_MASK        those whose loss aborts
 *     DW_GOES_ON_MASK      those after whose return the pour goes on by itself
 *     DW_INTERFACE         u32 fingerprint of what table bytes mean
 *     DW_BUILD_DIGEST      initialiser of 8 bytes, as { 0x01, ... }
 *
 * Tables (all in DW_ROM):
 *     const dw_output_t     dw_outputs[DW_OUTPUTS]
 *     const dw_pin_t        dw_output_pins[DW_OUTPUTS]
 *     const dw_pin_t        dw_input_pins[DW_INTERLOCKS + DW_BUTTONS]   interlocks, then buttons
 *     const uint16_t        dw_debounce[DW_INTERLOCKS + DW_BUTTONS]     samples, >= 1
 *     const dw_button_t     dw_buttons[DW_BUTTONS]
 *     const uint16_t        dw_group_dead[DW_GROUPS]                    dead time
 *     const dw_rate_range_t dw_rate_ranges[DW_CHANNELS]                 plausible calibrations
 *     const uint8_t         dw_port_idle[DW_PORTS]                      image with every output off
 *     const uint8_t         dw_port_owned[DW_PORTS]                     bits the engine writes
 */
#ifndef DW_MACHINE_H
#define DW_MACHINE_H

#include <stdint.h>

#include "dw_target.h"

#if !defined(DW_MACHINE_FORMAT) || DW_MACHINE_FORMAT != 2
#error "machine.h was written for another version of the engine: build it again with the dosewright that has this engine"
#endif

#define DW_NO_PIN 255u
#define DW_NO_INTERLOCK 255u

/* A channel or a stage. */
typedef struct {
    uint16_t current;   /* milliamperes while on */
    uint8_t group;      /* 0: none, else 1 .. DW_GROUPS */
    uint8_t stays_on;   /* 1: a stage that stays on in a pause; 0 for every channel */
    uint32_t max_on;    /* ticks, below 2^31 */
    uint16_t needs;     /* interlocks needed while it runs; of a channel DW_POURING_MASK */
    uint32_t jog_limit; /* ticks, at most max_on */
} dw_output_t;

/* A pin. active_high: 1 when the high level means on, closed or pressed, else 0. */
typedef struct {
    uint8_t port; /* index of the port byte, DW_NO_PIN: an output without a pin (a timed wait) */
    uint8_t mask; /* one bit of that byte */
    uint8_t active_high;
} dw_pin_t;

#define DW_DOES_POUR 0u
#define DW_DOES_GO_ON 1u
#define DW_DOES_STOP 2u

#define DW_DOES_SELECT 3u

#define DW_SELECTED_RECIPE 0u    /* in place of a number */
#define DW_SELECTED_SERVING 255u /* in place of an index */

/* What a button asks for when it becomes pressed. One that selects asks for nothing: while it is pressed, its values
 * count towards what the contacts of the selectors together say. */
typedef struct {
    uint8_t does;
    uint16_t recipe; /* of DW_DOES_POUR the number, or DW_SELECTED_RECIPE; of DW_DOES_SELECT its value */
    uint8_t serving; /* the index, or DW_SELECTED_SERVING; of DW_DOES_SELECT its value */
} dw_button_t;

/* Calibrations of a channel that are plausible: ticks per quantum as m * 2^-(32+s), m normalised to 2^31 .. 2^32-1. */
typedef struct {
    uint32_t slowest_m;
    uint8_t slowest_s;
    uint32_t fastest_m;
    uint8_t fastest_s;
} dw_rate_range_t;

#endif
