#include "dw_recipes.h"

#include "dw_engine.h"
#include "machine.h"

#define SERVINGS_AT (DW_RECORD_HEAD + 4u)
#define SERVINGS_MAX 16u
#define AFTER_ALL 0x80u
#define WEIGHT_MAX 4095u
#define WEIGHT_SUM_MAX UINT32_C(65535)
#define SERVING_MAX UINT32_C(4000000000)
#define TICKS_MAX UINT32_C(0x7FFFFFFF)
#define DOSE_BYTES 3u
#define STAGE_BYTES 5u

static uint16_t recipe_count(const dw_record_t *record)
{
    return dw_record16(record, DW_RECORD_HEAD + 2u);
}

/* Offset in the record of the list of numbers; the list of offsets follows it. */
static dw_offset_t numbers_at(const dw_record_t *record)
{
    return (dw_offset_t)(SERVINGS_AT + 4u * dw_record8(record, DW_RECORD_HEAD));
}

static uint16_t number_of(const dw_record_t *record, uint16_t index)
{
    return dw_record16(record, (dw_offset_t)(numbers_at(record) + (dw_offset_t)2u * index));
}

/* From the start of the body. */
static uint32_t offset_of(const dw_record_t *record, uint16_t index)
{
    dw_offset_t offsets_at = (dw_offset_t)(numbers_at(record) + (dw_offset_t)2u * recipe_count(record));

    return dw_record32(record, (dw_offset_t)(offsets_at + (dw_offset_t)4u * index));
}

static void open_recipe(const dw_record_t *record, uint16_t index, dw_cursor_t *cursor)
{
    cursor->at = (dw_offset_t)(DW_RECORD_HEAD + offset_of(record, index));
    cursor->lines_left = dw_record8(record, cursor->at);
    cursor->at++;
}

bool dw_recipes_next(const dw_record_t *record, dw_cursor_t *cursor, dw_line_t *line)
{
    uint8_t first;
    bool dose;

    if (cursor->lines_left == 0) {
        return false;
    }
    first = dw_record8(record, cursor->at);
    line->output = (uint8_t)(first & (uint8_t)~AFTER_ALL);
    line->after_all = (first & AFTER_ALL) != 0;
    dose = line->output < DW_CHANNELS;
    line->amount = dose ? dw_record16(record, (dw_offset_t)(cursor->at + 1u))
                        : dw_record32(record, (dw_offset_t)(cursor->at + 1u));
    cursor->at = (dw_offset_t)(cursor->at + (dose ? DOSE_BYTES : STAGE_BYTES));
    cursor->lines_left--;
    return true;
}

/* Bytes of the next line, as its first byte tells; the caller knows that this byte is there. */
static uint8_t line_bytes(const dw_record_t *record, const dw_cursor_t *cursor)
{
    return (uint8_t)((dw_record8(record, cursor->at) & (uint8_t)~AFTER_ALL) < DW_CHANNELS ? DOSE_BYTES : STAGE_BYTES);
}

/* True when an output stands in one of the first lines of a recipe: a channel is metered once. */
static bool stands_before(const dw_record_t *record, dw_cursor_t from, uint8_t lines, uint8_t output)
{
    dw_line_t line;

    from.lines_left = lines;
    while (dw_recipes_next(record, &from, &line)) {
        if (line.output == output) {
            return true;
        }
    }
    return false;
}

/* Reads a line only after its bytes are known to lie within the record. */
static bool recipe_is_good(const dw_record_t *record, uint16_t index, dw_offset_t body_end)
{
    uint32_t offset = offset_of(record, index);
    uint32_t weights = 0;
    dw_cursor_t start;
    dw_cursor_t cursor;
    uint8_t lines;

    if (offset >= (uint32_t)(body_end - DW_RECORD_HEAD)) {
        return false;
    }
    open_recipe(record, index, &start);
    lines = start.lines_left;
    if (lines == 0 || lines > DW_STEPS_MAX) {
        return false;
    }
    cursor = start;
    while (cursor.lines_left != 0) {
        uint8_t before = (uint8_t)(lines - cursor.lines_left);
        dw_line_t line;

        if (cursor.at >= body_end || line_bytes(record, &cursor) > (dw_offset_t)(body_end - cursor.at) ||
            !dw_recipes_next(record, &cursor, &line)) {
            return false;
        }
        if (line.output >= DW_OUTPUTS || line.amount == 0) {
            return false;
        }
        if (line.output < DW_CHANNELS) {
            if (line.amount > WEIGHT_MAX || stands_before(record, start, before, line.output)) {
                return false;
            }
            weights += line.amount;
        } else if (line.amount > TICKS_MAX) {
            return false;
        }
    }
    return weights != 0 && weights <= WEIGHT_SUM_MAX;
}

uint8_t dw_recipes_check(const dw_record_t *record)
{
    dw_offset_t body_end = (dw_offset_t)(record->length - DW_RECORD_TAIL);
    uint8_t servings;
    uint16_t recipes;
    uint16_t i;
    uint32_t lists_end;

    if (body_end < SERVINGS_AT) {
        return DW_BAD_RECORD;
    }
    servings = dw_record8(record, DW_RECORD_HEAD);
    recipes = recipe_count(record);
    lists_end = SERVINGS_AT + UINT32_C(4) * servings + UINT32_C(6) * recipes;
    if (servings == 0 || servings > SERVINGS_MAX || dw_record8(record, DW_RECORD_HEAD + 1u) != 0 ||
        lists_end > body_end) {
        return DW_BAD_RECORD;
    }
    for (i = 0; i < servings; i++) {
        uint32_t quanta = dw_record32(record, (dw_offset_t)(SERVINGS_AT + (dw_offset_t)4u * i));

        if (quanta == 0 || quanta > SERVING_MAX) {
            return DW_BAD_RECORD;
        }
    }
    for (i = 0; i < recipes; i++) {
        if ((i != 0 && number_of(record, i) <= number_of(record, (uint16_t)(i - 1u))) ||
            !recipe_is_good(record, i, body_end)) {
            return DW_BAD_RECORD;
        }
    }
    return DW_OK;
}

bool dw_recipes_serving(const dw_record_t *record, uint8_t index, uint32_t *quanta)
{
    if (index >= dw_record8(record, DW_RECORD_HEAD)) {
        return false;
    }
    *quanta = dw_record32(record, (dw_offset_t)(SERVINGS_AT + (dw_offset_t)4u * index));
    return true;
}

/* Halves the list at each look, for each look at an EEPROM takes its time. */
bool dw_recipes_find(const dw_record_t *record, uint16_t number, dw_cursor_t *cursor)
{
    uint16_t low = 0;
    uint16_t high = recipe_count(record);

    while (low < high) {
        uint16_t middle = (uint16_t)(low + (uint16_t)(high - low) / 2u);
        uint16_t found = number_of(record, middle);

        if (found == number) {
            open_recipe(record, middle, cursor);
            return true;
        }
        if (found < number) {
            low = (uint16_t)(middle + 1u);
        } else {
            high = middle;
        }
    }
    return false;
}
