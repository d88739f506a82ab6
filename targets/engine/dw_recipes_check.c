/* Checks a recipes record whole, once, so that a reader need not. */
#include "dw_engine.h"
#include "dw_recipes.h"
#include "dw_recipes_body.h"

#define SERVINGS_MAX 16u
#define SERVING_MAX UINT32_C(4000000000)
#define WEIGHT_SUM_MAX UINT32_C(65535)
#define TICKS_MAX UINT32_C(0x7FFFFFFF)

/* Within their limits, and a channel once: steps as they are read. */
static bool steps_are_good(const dw_step_t *steps, uint8_t count, uint16_t unit)
{
    uint32_t weights = 0;
    uint8_t i;

    for (i = 0; i != count; i++) {
        uint8_t output = steps[i].phase & (uint8_t)~DW_AFTER_ALL;
        uint8_t earlier;

        if (output >= DW_CHANNELS) {
            if (steps[i].left > TICKS_MAX / unit) {
                return false;
            }
            continue;
        }
        weights += steps[i].left;
        for (earlier = 0; earlier != i; earlier++) {
            if (((steps[earlier].phase ^ output) & (uint8_t)~DW_AFTER_ALL) == 0) {
                return false;
            }
        }
    }
    return weights != 0 && weights <= WEIGHT_SUM_MAX;
}

/* Numbers ascend, and servings are within their limits. */
static bool lists_are_good(uint16_t numbers)
{
    dw_place_t at = dw_recipes.servings - DW_NUMBER_BYTES * numbers;
    uint32_t before = 0;
    uint8_t i;

    for (; numbers != 0; numbers--) {
        uint32_t number = dw_read16(at) + UINT32_C(1);

        if (number <= before) {
            return false;
        }
        before = number;
        at += DW_NUMBER_BYTES;
    }
    for (i = 0; i != dw_recipes.serving_count; i++) {
        if (dw_recipes_serving(i) - 1u >= SERVING_MAX) {
            return false;
        }
    }
    return true;
}

/* No entry of the dictionary is 0, and blocks and recipes are good, one behind the other, up to the lists. Goes through
 * them once: on a large controller there may be hundreds. */
DW_APART static bool recipes_are_good(dw_step_t *steps, dw_place_t end)
{
    dw_place_t at = dw_recipes.dictionary;
    uint16_t unit = dw_recipes_unit();
    uint16_t count = dw_recipes.count;
    uint8_t left = dw_recipes.entries;
    dw_place_t block_end;

    for (; left != 0; left--) {
        if (dw_next(&at) == 0) {
            return false;
        }
    }
    block_end = at;
    for (; count != 0; count--) {
        if (at >= end) {
            return false;
        }
        if (left == 0) {
            if (at != block_end) {
                return false;
            }
            block_end = dw_behind_block(at);
            at = dw_in_block(at);
            left = DW_BLOCK;
        }
        left--;
        if (!steps_are_good(steps, dw_recipe_steps(at, steps), unit)) {
            return false;
        }
        at = dw_behind_recipe(at);
    }
    return at == block_end && at == end;
}

uint8_t dw_recipes_check(const dw_record_t *record, dw_step_t *steps)
{
    uint16_t numbers = 0;
    uint32_t lists;

    dw_recipes_open(record);
    if (dw_recipes.listed != 0) {
        numbers = dw_recipes.count;
    }
    lists = UINT32_C(4) * dw_recipes.serving_count + UINT32_C(2) * numbers;
    if (lists + dw_recipes.entries + (DW_DICTIONARY_AT + DW_RECORD_TAIL) > record->length || dw_recipes.serving_count == 0 ||
        dw_recipes.serving_count > SERVINGS_MAX || dw_recipes.listed > 1u || dw_recipes.entries >= DW_CODES ||
        (uint8_t)(dw_recipes.grain - 1u) >= DW_GRAIN_MAX || dw_recipes_unit() == 0 || !lists_are_good(numbers) ||
        !recipes_are_good(steps, dw_recipes.servings - DW_NUMBER_BYTES * numbers)) {
        return DW_BAD_RECORD;
    }
    return DW_OK;
}
