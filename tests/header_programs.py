"""Programs that tell every number of ``recipes.h`` or ``machine.h``, in the order of ``header_numbers``.

For small controllers that a simulator runs; how a byte gets out of it differs from one to the other.
"""

from __future__ import annotations

import struct

from dosewright.gen.lower import Compiled
from header_numbers import machine_macros, machine_numbers, recipe_macros, recipe_numbers

HEADERS = ("recipes.h", "machine.h")
PROGRAM = """
#define DW_MACHINE_TABLES
#include "%(header)s"
%(outside)s
static void tell_byte(uint8_t byte) { %(tell)s }
static void tell(uint32_t number)
{
    uint8_t i;
    for (i = 0; i < 4; i++) { tell_byte((uint8_t)number); number >>= 8; }
}
%(tables)s
void main(void)
{
    %(macros)s
    tell_tables();
    %(end)s
    for (;;) { }
}
"""
TELL_RECIPES = """
static void tell_tables(void)
{
    uint8_t i, s;
    uint16_t r;
    const char *name;
    for (i = 0; i < DW_OUTPUT_COUNT; i++) {
        tell(DW_READ8(&dw_out_list[i].pin)); tell(DW_READ8(&dw_out_list[i].on_level));
        tell(DW_READ16(&dw_out_list[i].current)); tell(DW_READ8(&dw_out_list[i].group));
        tell(DW_READ32(&dw_out_list[i].max_on));
    }
    for (r = 0; r < DW_RECIPE_COUNT; r++) {
        uint16_t first = DW_READ16(&dw_recipe_list[r].first);
        tell(DW_READ16(&dw_recipe_list[r].number)); tell(first); tell(DW_READ8(&dw_recipe_list[r].steps));
        for (name = dw_recipe_list[r].name; DW_READ8((const uint8_t *)name) != 0; name++)
            tell(DW_READ8((const uint8_t *)name));
        tell(0);
        for (i = 0; i < DW_READ8(&dw_recipe_list[r].steps); i++) {
            const dw_step_row *step = &dw_step_list[first + i];
            tell(DW_READ8(&step->out)); tell(DW_READ8(&step->after_all));
            for (s = 0; s < DW_SERVING_COUNT; s++) tell(DW_READ32(&step->ticks[s]));
        }
    }
}
"""
TELL_MACHINE = """
static const uint8_t digest[8] = DW_BUILD_DIGEST;
static void tell_pin(const dw_pin_t *pin) { tell(pin->port); tell(pin->mask); tell(pin->active_high); }
static void tell_tables(void)
{
    uint8_t i;
    for (i = 0; i < 8; i++) tell(digest[i]);
    for (i = 0; i < DW_OUTPUTS; i++) {
        tell(dw_outputs[i].current); tell(dw_outputs[i].group); tell(dw_outputs[i].stays_on);
        tell(dw_outputs[i].max_on); tell(dw_outputs[i].needs); tell(dw_outputs[i].jog_limit);
    }
    for (i = 0; i < DW_OUTPUTS; i++) tell_pin(&dw_output_pins[i]);
    for (i = 0; i < DW_INTERLOCKS + DW_BUTTONS; i++) tell_pin(&dw_input_pins[i]);
    for (i = 0; i < DW_INTERLOCKS + DW_BUTTONS; i++) tell(dw_debounce[i]);
    for (i = 0; i < DW_BUTTONS; i++) {
        tell(dw_buttons[i].does); tell(dw_buttons[i].recipe); tell(dw_buttons[i].serving);
    }
    for (i = 0; i < DW_GROUPS; i++) tell(dw_group_dead[i]);
    for (i = 0; i < DW_CHANNELS; i++) {
        tell(dw_rate_ranges[i].slowest_m); tell(dw_rate_ranges[i].slowest_s);
        tell(dw_rate_ranges[i].fastest_m); tell(dw_rate_ranges[i].fastest_s);
    }
    for (i = 0; i < DW_PORTS; i++) tell(dw_port_idle[i]);
    for (i = 0; i < DW_PORTS; i++) tell(dw_port_owned[i]);
}
"""


def program(header: str, compiled: Compiled, outside: str, tell: str, end: str) -> str:
    """``outside`` declares what ``tell``, which puts out the variable ``byte``, and ``end`` write to."""
    of_recipes = header == "recipes.h"
    macros = recipe_macros(compiled) if of_recipes else machine_macros(compiled.machine)
    return PROGRAM % {
        "header": header,
        "outside": outside,
        "tell": tell,
        "tables": TELL_RECIPES if of_recipes else TELL_MACHINE,
        "macros": " ".join(f"tell({name});" for name in macros),
        "end": end,
    }


def expected(header: str, compiled: Compiled) -> list[int]:
    return recipe_numbers(compiled) if header == "recipes.h" else machine_numbers(compiled.machine)


def numbers(told: bytes) -> list[int]:
    """What the bytes that came out say."""
    return list(struct.unpack(f"<{len(told) // 4}I", told))
