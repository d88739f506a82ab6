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
static bool lists_are_good(const dw_record_t *record, dw_offset_t at, uint16_t numbers, uint8_t servings)
{
    uint32_t before = 0;

    for (; numbers != 0; numbers--) {
        uint32_t number = dw_record16(record, at) + UINT32_C(1);

        if (number <= before) {
            return false;
        }
        before = number;
        at = (dw_offset_t)(at + 2u);
    }
    for (; servings != 0; servings--) {
        if (dw_record32(record, at) - 1u >= SERVING_MAX) {
            return false;
        }
        at = (dw_offset_t)(at + 4u);
    }
    return true;
}

uint8_t dw_recipes_check(const dw_record_t *record, dw_step_t *steps)
{
    uint8_t servings = dw_record8(record, DW_SERVINGS_AT);
    uint8_t listed = dw_record8(record, DW_LISTED_AT);
    uint16_t count = dw_record16(record, DW_COUNT_AT);
    uint16_t numbers = listed != 0 ? count : 0u;
    uint8_t entries = dw_record8(record, DW_ENTRIES_AT);
    uint16_t unit = dw_recipes_unit(record);
    uint32_t lists = UINT32_C(4) * servings + UINT32_C(2) * numbers;
    dw_offset_t end = (dw_offset_t)(record->length - DW_RECORD_TAIL);
    uint16_t i;

    if (DW_DICTIONARY_AT + entries + lists > end || servings == 0 || servings > SERVINGS_MAX || listed > 1u ||
        entries >= DW_CODES || (uint8_t)(dw_record8(record, DW_GRAIN_AT) - 1u) >= DW_GRAIN_MAX || unit == 0) {
        return DW_BAD_RECORD;
    }
    end = (dw_offset_t)(end - lists);
    if (!lists_are_good(record, end, numbers, servings)) {
        return DW_BAD_RECORD;
    }
    for (dw_recipe_end = DW_DICTIONARY_AT; entries != 0; entries--) {
        if (dw_record8(record, dw_recipe_end) == 0) {
            return DW_BAD_RECORD;
        }
        dw_recipe_end++;
    }
    for (i = 0; i != count;) {
        uint8_t steps_read = dw_recipes_read_at(record, i, steps);

        i++;
        if (!steps_are_good(steps, steps_read, unit) ||
            ((i % DW_BLOCK == 0 || i == count) && dw_recipe_end != dw_block_end)) {
            return DW_BAD_RECORD;
        }
    }
    return dw_recipe_end == end ? DW_OK : DW_BAD_RECORD;
}
