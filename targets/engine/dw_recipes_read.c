/* Finds and reads short recipes. An 8-bit core shifts one bit at a time: so everything is a whole byte, and what lies in
 * one is parted where the compiler knows the place. A target may do all this with fewer instructions. */
#include "dw_recipes.h"

#include "dw_recipes_body.h"

#ifndef DW_OWN_READER

/* Head of a short recipe: bits 7-4 the bytes behind it. */
#define HAS_STAGES 8u
#define FIRST_WAITS 4u
#define LAST_WAITS 2u
#define CLOSING 1u

#define MORE_STAGES (128u / DW_CODES) /* of a step's output: another stage follows */

/* Passes over blocks, then over recipes, each of which begins before the servings. */
uint8_t dw_recipes_read(uint16_t index, dw_step_t *steps)
{
    dw_place_t at = dw_recipes.dictionary + dw_recipes.entries;
    dw_place_t end = dw_recipes.servings;

    if (index >= dw_recipes.count) {
        return DW_NO_RECIPE;
    }
    for (; at < end && index >= DW_BLOCK; index = (uint16_t)(index - DW_BLOCK)) {
        at = dw_behind_block(at);
    }
    if (at >= end) {
        return 0;
    }
    at = dw_in_block(at);
    for (; at < end && index != 0; index--) {
        at = dw_behind_recipe(at);
    }
    return at < end ? dw_recipe_steps(at, steps) : 0u;
}

/* A value that is not in the dictionary, in one byte or two of those that are left; 0 when they are too few. */
static uint16_t number(dw_place_t *at, uint8_t *left)
{
    uint16_t value;

    if (*left == 0) {
        return 0;
    }
    (*left)--;
    value = dw_next(at);
    if (value < DW_WIDE) {
        return value;
    }
    if (*left == 0) {
        return 0;
    }
    (*left)--;
    return (uint16_t)((value & 15u) << 8 | dw_next(at));
}

uint8_t dw_recipe_steps(dw_place_t at, dw_step_t *step)
{
    uint8_t head = dw_next(&at);
    uint8_t left = head >> 4;
    uint8_t waits = (head & FIRST_WAITS) != 0 ? DW_AFTER_ALL : 0u;
    uint8_t count;

    if (left == 0) {
        return dw_long_recipe_steps(at, head, step);
    }
    if (DW_CODES == 1u || at + left > dw_recipes.servings) {
        return 0;
    }
    for (count = 0; left != 0; count++) {
        uint8_t byte = dw_next(&at);
        uint8_t output = byte / DW_CODES;
        uint8_t code = byte & (DW_CODES - 1u);
        uint16_t value;

        left--;
        if (code < dw_recipes.entries) {
            dw_place_t entry = dw_recipes.dictionary + code;

            value = (uint16_t)(dw_next(&entry) * dw_recipes.grain);
        } else {
            value = number(&at, &left);
        }
        if (value == 0 || count == DW_STEPS_MAX) {
            return 0;
        }
        if ((head & HAS_STAGES) != 0) {
            if ((output & MORE_STAGES) == 0) {
                head &= (uint8_t)~HAS_STAGES;
            }
            output = (uint8_t)((output & (uint8_t)~MORE_STAGES) + DW_CHANNELS);
            if (output >= DW_OUTPUTS) {
                return 0;
            }
        } else {
            if (output >= DW_CHANNELS && (left != 0 || (head & CLOSING) == 0)) {
                return 0;
            }
            output |= waits;
            waits = 0;
        }
        step->phase = output;
        step->left = value;
        step++;
    }
    step--;
    if ((head & CLOSING) != 0) {
        step->phase = (uint8_t)(step->phase + DW_CHANNELS);
        if ((step->phase & (uint8_t)~DW_AFTER_ALL) >= DW_OUTPUTS) {
            return 0;
        }
    }
    if ((head & LAST_WAITS) != 0) {
        step->phase |= DW_AFTER_ALL;
    }
    return (head & HAS_STAGES) == 0 ? count : 0u;
}

#endif
