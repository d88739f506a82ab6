/* The recipes record, apart from its short recipes (dw_recipes_read.c) and its check (dw_recipes_check.c). */
#include "dw_recipes.h"

#include "dw_recipes_body.h"

dw_recipes_t dw_recipes;

void dw_recipes_open(const dw_record_t *record)
{
    dw_place_t at = dw_record_at(record, DW_SERVINGS_AT);
    dw_place_t end = (dw_place_t)(at + record->length - (DW_SERVINGS_AT + DW_RECORD_TAIL));

    dw_recipes.serving_count = dw_next(&at);
    dw_recipes.listed = dw_next(&at);
    dw_recipes.count = dw_read16(at);
    at += 2u;
    dw_recipes.entries = dw_next(&at);
    dw_recipes.grain = dw_next(&at);
    dw_recipes.dictionary = at + 2u;
    dw_recipes.servings = (dw_place_t)(end - DW_SERVING_BYTES * dw_recipes.serving_count);
}

uint16_t dw_recipes_unit(void)
{
    return dw_read16(dw_recipes.dictionary - 2u);
}

uint32_t dw_recipes_serving(uint8_t index)
{
    if (index >= dw_recipes.serving_count) {
        return 0;
    }
    return dw_read32(dw_recipes.servings + DW_SERVING_BYTES * index);
}

uint16_t dw_recipes_index(uint16_t number)
{
    uint16_t count = dw_recipes.count;
    dw_place_t at = dw_recipes.servings;

    if (dw_recipes.listed == 0) {
        return (uint16_t)(number - 1u);
    }
    while (count != 0) {
        count--;
        at -= DW_NUMBER_BYTES;
        if (dw_read16(at) == number) {
            return count;
        }
    }
    return UINT16_MAX;
}

uint8_t dw_long_recipe_steps(dw_place_t at, uint8_t upper, dw_step_t *step)
{
    dw_place_t stop = dw_behind_long(at, upper);
    uint8_t count = 0;

    at++;
    if (stop > dw_recipes.servings) {
        return 0;
    }
    for (; at != stop; count++) {
        uint8_t output = dw_next(&at);

        if (count == DW_STEPS_MAX || stop - at < 2u) {
            return 0;
        }
        step->phase = output;
        step->left = dw_read16(at);
        at += 2u;
        output &= (uint8_t)~DW_AFTER_ALL;
        if (output >= DW_CHANNELS) {
            if (output >= DW_OUTPUTS || stop - at < 2u) {
                return 0;
            }
            step->left |= (uint32_t)dw_read16(at) << 16;
            at += 2u;
        } else if (step->left > DW_WEIGHT_MAX) {
            return 0;
        }
        if (step->left == 0) {
            return 0;
        }
        step++;
    }
    return count;
}
