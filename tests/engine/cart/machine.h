/* A small cart written by hand: two channels, one lamp, vessel and guard, a start, a go-on and a stop button. */
#ifndef MACHINE_H
#define MACHINE_H

#define DW_MACHINE_FORMAT 2
#include "dw_machine.h"

#define DW_CHANNELS 2
#define DW_OUTPUTS 3
#define DW_INTERLOCKS 2
#define DW_BUTTONS 3
#define DW_GROUPS 1
#define DW_PORTS 2
#define DW_OUTPUT_PORTS 0x3
#define DW_STEPS_MAX 8
#define DW_TICK_US 1000u
#define DW_SUPPLY_MA 3000u
#define DW_INRUSH_GAP 0u
#define DW_POUR_LIMIT 120000ul
#define DW_PAUSE_LIMIT 10000ul
#define DW_LINK_LIMIT 0u
#define DW_JOG_RENEWAL 500ul
#define DW_VESSEL_QUANTA 102400000ul /* 400 ml */
#define DW_VESSEL_INTERLOCK 0u
#define DW_START_MASK 0x0000u
#define DW_POURING_MASK 0x0001u
#define DW_ALWAYS_MASK 0x0002u
#define DW_ABORT_MASK 0x0002u
#define DW_GOES_ON_MASK 0x0000u
#define DW_INTERFACE 0x01020304ul
#define DW_BUILD_DIGEST { 0xB0, 0xB1, 0xB2, 0xB3, 0xB4, 0xB5, 0xB6, 0xB7 }

extern const dw_output_t dw_outputs[DW_OUTPUTS];
extern const dw_pin_t dw_output_pins[DW_OUTPUTS];
extern const dw_pin_t dw_input_pins[DW_INTERLOCKS + DW_BUTTONS];
extern const uint16_t dw_debounce[DW_INTERLOCKS + DW_BUTTONS];
extern const dw_button_t dw_buttons[DW_BUTTONS];
extern const uint16_t dw_group_dead[DW_GROUPS];
extern const dw_rate_range_t dw_rate_ranges[DW_CHANNELS];
extern const uint8_t dw_port_idle[DW_PORTS];
extern const uint8_t dw_port_owned[DW_PORTS];

#ifdef DW_MACHINE_TABLES
/*  current, group, stays on, max on, needs, jog limit */
const dw_output_t dw_outputs[DW_OUTPUTS] DW_ROM = {
    { 900u, 1u, 0u, 40000ul, 0x0001u, 5000ul },
    { 900u, 1u, 0u, 40000ul, 0x0001u, 5000ul },
    { 100u, 0u, 1u, 60000ul, 0x0000u, 5000ul },
};
/*  port, mask, active high */
const dw_pin_t dw_output_pins[DW_OUTPUTS] DW_ROM = {
    { 0u, 0x10u, 1u },
    { 0u, 0x20u, 0u },
    { 1u, 0x01u, 1u },
};
const dw_pin_t dw_input_pins[DW_INTERLOCKS + DW_BUTTONS] DW_ROM = {
    { 1u, 0x02u, 0u }, { 1u, 0x04u, 0u }, { 1u, 0x08u, 0u }, { 1u, 0x10u, 0u }, { 1u, 0x20u, 0u },
};
const uint16_t dw_debounce[DW_INTERLOCKS + DW_BUTTONS] DW_ROM = { 20u, 5u, 20u, 20u, 5u };
/*  does, recipe, serving */
const dw_button_t dw_buttons[DW_BUTTONS] DW_ROM = {
    { DW_DOES_POUR, 1u, 0u },
    { DW_DOES_GO_ON, 0u, 0u },
    { DW_DOES_STOP, 0u, 0u },
};
const uint16_t dw_group_dead[DW_GROUPS] DW_ROM = { 50u };
/*  slowest m, s, fastest m, s */
const dw_rate_range_t dw_rate_ranges[DW_CHANNELS] DW_ROM = {
    { 0xC0000000ul, 1u, 0x80000000ul, 12u },
    { 0xC0000000ul, 1u, 0x80000000ul, 12u },
};
const uint8_t dw_port_idle[DW_PORTS] DW_ROM = { 0x20u, 0x00u };
const uint8_t dw_port_owned[DW_PORTS] DW_ROM = { 0x30u, 0x01u };
#endif

#endif
