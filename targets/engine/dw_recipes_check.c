/* Checks a recipes record whole, once, so that a reader need not. */
#include "dw_engine.h"
#include "dw_recipes.h"
#include "dw_recipes_body.h"

#define SERVINGS_MAX 16u
#define SERVING_MAX UINT32_C(4000000000)
#define WEIGHT_SUM_MAX UINT32_C(65535)
#define TICKS_MAX UINT32_C(0x7FFFFFFF)
#define GRAIN_MAX 16u /* 255 * 16 fits 12 bits */

/* A byte of the body, and the next one's offset. */
static uint8_t take(const dw_record_t *record, dw_offset_t *at)
{
    uint8_t byte = dw_record8(record, *at);

    (*at)++;
    return byte;
}

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

/* Blocks and recipes fill the body as far as the numbers, one behind the other, as their lengths say. */
static bool recipes_fill(const dw_record_t *record, dw_offset_t at, dw_offset_t end, uint16_t count)
{
    dw_offset_t block_end = at;
    uint16_t i;

    for (i = 0; i != count; i++) {
        uint16_t size;

        if (i % DW_BLOCK == 0) {
            if (at != block_end || end - at < 2u) {
                return false;
            }
            size = take(record, &at);
            if (size >= DW_WIDE) {
                size = (uint16_t)((size & 15u) << 8 | take(record, &at));
            }
            block_end = (dw_offset_t)(at + size);
        }
        if (end - at < 2u) {
            return false;
        }
        size = take(record, &at);
        size = size >= DW_LONG ? size >> 4 : (uint16_t)(size << 8 | take(record, &at));
        if (end - at < size) {
            return false;
        }
        at = (dw_offset_t)(at + size);
    }
    return at == block_end && at == end;
}

uint8_t dw_recipes_check(const dw_record_t *record, dw_step_t *steps)
{
    uint8_t servings = dw_record8(record, DW_SERVINGS_AT);
    uint8_t listed = dw_record8(record, DW_LISTED_AT);
    uint16_t count = dw_record16(record, DW_COUNT_AT);
    uint8_t entries = dw_record8(record, DW_ENTRIES_AT);
    uint8_t grain = dw_record8(record, DW_GRAIN_AT);
    uint16_t unit = dw_recipes_unit(record);
    uint32_t lists = DW_DICTIONARY_AT + UINT32_C(4) * servings + (listed != 0 ? UINT32_C(2) * count : 0u) + entries;
    dw_offset_t end = (dw_offset_t)(record->length - DW_RECORD_TAIL);
    dw_offset_t at = end;
    uint32_t before = UINT32_C(1) << 16;
    uint16_t i;

    if (lists > end || servings == 0 || servings > SERVINGS_MAX || listed > 1u ||
        entries >= DW_CODES || grain == 0 || grain > GRAIN_MAX || unit == 0) {
        return DW_BAD_RECORD;
    }
    for (i = servings; i != 0; i--) {
        at = (dw_offset_t)(at - 4u);
        if (dw_record32(record, at) - 1u >= SERVING_MAX) {
            return DW_BAD_RECORD;
        }
    }
    for (i = listed != 0 ? count : 0; i != 0; i--) {
        uint16_t number;

        at = (dw_offset_t)(at - 2u);
        number = dw_record16(record, at);
        if (number >= before) {
            return DW_BAD_RECORD;
        }
        before = number;
    }
    for (i = 0; i != entries; i++) {
        if (dw_record8(record, (dw_offset_t)(DW_DICTIONARY_AT + i)) == 0) {
            return DW_BAD_RECORD;
        }
    }
    if (!recipes_fill(record, (dw_offset_t)(DW_DICTIONARY_AT + i), at, count)) {
        return DW_BAD_RECORD;
    }
    for (i = 0; i != count; i++) {
        uint16_t number = (uint16_t)(i + 1u);
        uint8_t steps_read;

        if (listed != 0) {
            number = dw_record16(record, (dw_offset_t)(at + 2u * i));
        }
        steps_read = dw_recipes_read(record, number, steps);
        if (steps_read == DW_NO_RECIPE || !steps_are_good(steps, steps_read, unit)) {
            return DW_BAD_RECORD;
        }
    }
    return DW_OK;
}
