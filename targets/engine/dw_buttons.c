/* What buttons ask for: judged in the main loop, as requests of the link are. */
#include "dw_state.h"

/* Contacts that are closed add up: so a coded switch says a recipe's number, and another one an index of a serving. */
static dw_answer_t pour_as_pressed(const dw_button_t *button, uint16_t pressed)
{
    uint16_t recipe = dw_rom16(&button->recipe);
    uint8_t serving = dw_rom8(&button->serving);
    uint16_t selected_recipe = 0;
    uint8_t selected_serving = 0;

    for (button = dw_buttons; pressed != 0; button++) {
        if ((pressed & 1u) != 0 && dw_rom8(&button->does) == DW_DOES_SELECT) {
            selected_recipe = (uint16_t)(selected_recipe + dw_rom16(&button->recipe));
            selected_serving = (uint8_t)(selected_serving + dw_rom8(&button->serving));
        }
        pressed = (uint16_t)(pressed >> 1);
    }
    return dw_pour(recipe == DW_SELECTED_RECIPE ? selected_recipe : recipe,
                   serving == DW_SELECTED_SERVING ? selected_serving : serving);
}

/* A refused press has no one to be told: what refused it shows in the status. `pressed`: all buttons that are. */
static void press(const dw_button_t *button, uint16_t pressed)
{
    uint8_t does = dw_rom8(&button->does);
    dw_answer_t answer = { DW_OK, 0 };

    if (does == DW_DOES_POUR) {
        answer = pour_as_pressed(button, pressed);
    } else if (does == DW_DOES_GO_ON) {
        answer = dw_go_on();
    }
    (void)answer;
}

/* True when one of these buttons stops. */
static bool any_stops(uint16_t buttons)
{
    const dw_button_t *button;

    for (button = dw_buttons; buttons != 0; button++) {
        if ((buttons & 1u) != 0 && dw_rom8(&button->does) == DW_DOES_STOP) {
            return true;
        }
        buttons = (uint16_t)(buttons >> 1);
    }
    return false;
}

/* What became pressed since the last time is judged together, and which of it came first is not known: so where a stop is
 * among it, nothing else is done. */
void dw_serve_buttons(void)
{
    const dw_button_t *button = dw_buttons;
    uint16_t newly_pressed;
    uint16_t pressed;

    dw_port_lock();
    newly_pressed = dw_state.newly_pressed;
    pressed = dw_state.pressed;
    dw_state.newly_pressed = 0;
    dw_port_unlock();
    if (any_stops(newly_pressed)) {
        dw_stop();
        return;
    }
    for (; newly_pressed != 0; button++) {
        if ((newly_pressed & 1u) != 0) {
            press(button, pressed);
        }
        newly_pressed = (uint16_t)(newly_pressed >> 1);
    }
}
