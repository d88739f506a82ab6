/* Interlocks and buttons: from bouncing levels to conditions that hold. */
#include "dw_state.h"

/* The level of an input, turned so that true is closed or pressed. */
static bool raw(uint8_t input)
{
    const dw_pin_t *pin = &dw_input_pins[input];
    uint8_t levels = dw_port_read(dw_rom8(&pin->port));

    if (dw_rom8(&pin->active_high) == 0) {
        levels = (uint8_t)~levels;
    }
    return (levels & dw_rom8(&pin->mask)) != 0;
}

/* True when the input has differed from its debounced level for so long that it counts as changed. */
static bool changes(dw_state_t *s, uint8_t input, bool level)
{
    uint16_t count = raw(input) == level ? 0 : (uint16_t)(s->differing[input] + 1u);
    bool enough = count >= dw_rom16(&dw_debounce[input]);

    s->differing[input] = enough ? 0 : count;
    return enough;
}

/* Samples so many inputs from the first on, once; returns those whose debounced level changes. The bit walks along, for
 * an 8-bit core shifts one place at a time. */
static uint16_t sample(dw_state_t *s, uint8_t first, uint8_t count, uint16_t levels)
{
    uint16_t changed = 0;
    uint16_t bit = 1;
    uint8_t i;

    for (i = 0; i != count; i++) {
        if (changes(s, (uint8_t)(first + i), (levels & bit) != 0)) {
            changed = (uint16_t)(changed | bit);
        }
        bit = (uint16_t)(bit << 1);
    }
    return changed;
}

/* Buttons are left for the main loop, which makes their requests. */
void dw_input_sample(dw_state_t *s)
{
    s->closed_changed = sample(s, 0, DW_INTERLOCKS, s->closed);
    s->closed = (uint16_t)(s->closed ^ s->closed_changed);
    s->pressed_changed = sample(s, DW_INTERLOCKS, DW_BUTTONS, s->pressed);
    s->pressed = (uint16_t)(s->pressed ^ s->pressed_changed);
    s->newly_pressed = (uint16_t)(s->newly_pressed | (s->pressed_changed & s->pressed));
}
