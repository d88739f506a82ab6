/* A machine whose every number is set at run time, so that one process tries many machines against the twin. */
#ifndef MACHINE_H
#define MACHINE_H

#define DW_MACHINE_FORMAT 2
#include "dw_machine.h"

#define DW_OUTPUTS_CAPACITY 12
#define DW_CHANNELS_CAPACITY 8
#define DW_INTERLOCKS_CAPACITY 6
#define DW_BUTTONS_CAPACITY 7
#define DW_GROUPS_CAPACITY 4
#define DW_PORTS_CAPACITY 15
#define DW_STEPS_MAX 16

#define FUZZ_INPUTS (DW_INTERLOCKS_CAPACITY + DW_BUTTONS_CAPACITY)
#define FUZZ_RECORD 4096

typedef struct {
    uint16_t supply;
    uint16_t inrush;
    uint32_t pour_limit, pause_limit, link_limit, jog_renewal, vessel;
    uint8_t vessel_interlock, channels, outputs, interlocks, buttons;
    uint16_t start_mask, pouring_mask, always_mask, abort_mask, goes_on_mask;
    uint32_t interface;
} fuzz_t;

extern fuzz_t fuzz;

#define DW_CHANNELS fuzz.channels
#define DW_OUTPUTS fuzz.outputs
#define DW_INTERLOCKS fuzz.interlocks
#define DW_BUTTONS fuzz.buttons
#define DW_GROUPS DW_GROUPS_CAPACITY
#define DW_PORTS DW_PORTS_CAPACITY
#define DW_TICK_US 1000u
#define DW_SUPPLY_MA fuzz.supply
#define DW_INRUSH_GAP fuzz.inrush
#define DW_POUR_LIMIT fuzz.pour_limit
#define DW_PAUSE_LIMIT fuzz.pause_limit
#define DW_LINK_LIMIT fuzz.link_limit
#define DW_JOG_RENEWAL fuzz.jog_renewal
#define DW_VESSEL_QUANTA fuzz.vessel
#define DW_VESSEL_INTERLOCK fuzz.vessel_interlock
#define DW_START_MASK fuzz.start_mask
#define DW_POURING_MASK fuzz.pouring_mask
#define DW_ALWAYS_MASK fuzz.always_mask
#define DW_ABORT_MASK fuzz.abort_mask
#define DW_GOES_ON_MASK fuzz.goes_on_mask
#define DW_INTERFACE fuzz.interface
#define DW_BUILD_DIGEST { 0, 0, 0, 0, 0, 0, 0, 0 }

extern dw_output_t dw_outputs[DW_OUTPUTS_CAPACITY];
extern dw_pin_t dw_output_pins[DW_OUTPUTS_CAPACITY];
extern dw_pin_t dw_input_pins[FUZZ_INPUTS];
extern uint16_t dw_debounce[FUZZ_INPUTS];
extern dw_button_t dw_buttons[DW_BUTTONS_CAPACITY];
extern uint16_t dw_group_dead[DW_GROUPS_CAPACITY];
extern dw_rate_range_t dw_rate_ranges[DW_OUTPUTS_CAPACITY];
extern uint8_t dw_port_idle[DW_PORTS_CAPACITY];
extern uint8_t dw_port_owned[DW_PORTS_CAPACITY];

#ifdef DW_MACHINE_TABLES
fuzz_t fuzz;
dw_output_t dw_outputs[DW_OUTPUTS_CAPACITY];
dw_pin_t dw_output_pins[DW_OUTPUTS_CAPACITY];
dw_pin_t dw_input_pins[FUZZ_INPUTS];
uint16_t dw_debounce[FUZZ_INPUTS];
dw_button_t dw_buttons[DW_BUTTONS_CAPACITY];
uint16_t dw_group_dead[DW_GROUPS_CAPACITY];
dw_rate_range_t dw_rate_ranges[DW_OUTPUTS_CAPACITY];
uint8_t dw_port_idle[DW_PORTS_CAPACITY];
uint8_t dw_port_owned[DW_PORTS_CAPACITY];
#endif

#endif
