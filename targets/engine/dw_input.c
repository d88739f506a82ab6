/* Interlocks and buttons: from bouncing levels to conditions that hold. */
#include "dw_state.h"

/* The level of an input, turned so that true is closed or pressed. */
static bool raw(const dw_pin_t *pin)
{
    uint8_t levels = dw_port_read(dw_rom8(&pin->port));

    if (dw_rom8(&pin->active_high) == 0) {
        levels = (uint8_t)~levels;
    }
    return (levels & dw_rom8(&pin->mask)) != 0;
}

#define DIFFERS 2u /* what a sample adds that differs from the debounced level; one that does not takes away 1 */

/* Samples so many inputs from the first on, once; returns those that differed from their debounced level for so long that
 * it changes. What shakes for ever counts as open: a switch in such a state protects nobody. But a vessel that shakes stands
 * there still: else a full one would count as changed. The bit walks along, for an 8-bit core shifts one place at a time. */
static uint16_t sample(dw_state_t *s, uint8_t first, uint8_t count, uint16_t levels)
{
    uint16_t changed = 0;
    uint16_t bit = 1;

    for (; count != 0; count--) {
        uint16_t differing = s->differing[first];
        bool closed = (levels & bit) != 0;

        if (raw(&dw_input_pins[first]) != closed) {
            differing = (uint16_t)(differing + DIFFERS);
            if (differing >= DIFFERS * dw_rom16(&dw_debounce[first])) {
                differing = 0;
                changed |= bit;
            }
        } else if (!closed || first == DW_VESSEL_INTERLOCK) {
            differing = 0;
        } else if (differing != 0) {
            differing--;
        }
        s->differing[first] = differing;
        first++;
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
