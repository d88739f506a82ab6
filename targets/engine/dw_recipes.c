/* Reads compact recipes. An 8-bit core shifts one bit at a time: so everything is a whole byte, and what lies in one is
 * parted where the compiler knows the place. */
#include "dw_recipes.h"

#include "dw_recipes_body.h"

/* Head of a short recipe: bits 7-4 the bytes behind it. */
#define HAS_STAGES 8u
#define FIRST_WAITS 4u
#define LAST_WAITS 2u
#define CLOSING 1u

#define MORE_STAGES (128u / DW_CODES) /* of a short step's output: another stage follows */

/* An address of the store or of program memory. No table ends within 4 KiB of the last that there can be. */
typedef uintptr_t place_t;

static uint8_t read_from; /* where the record lies that is being read */

dw_offset_t dw_recipe_end;
dw_offset_t dw_block_end;

/* The byte at a place. */
#define LOOK(place)                                                                                            \
    ((source & DW_FROM_FIRMWARE) != 0                                                                          \
         ? dw_rom8((const uint8_t *)(place)) /* NOLINT(performance-no-int-to-ptr): it was made of a pointer */ \
         : dw_store8((dw_offset_t)(place)))

/* The same with a call, which is shorter. */
DW_APART static uint8_t byte_at(place_t place)
{
    const uint8_t source = read_from;

    return LOOK(place);
}

/* Two bytes of the body's head or lists. */
DW_APART static uint16_t word_at(place_t place)
{
    return (uint16_t)(byte_at(place) | (uint16_t)byte_at(place + 1u) << 8);
}

/* The steps of a long recipe: how many, 0 when one is broken. */
DW_APART static uint8_t read_long(place_t at, place_t stop, dw_step_t *step)
{
    uint8_t count = 0;

    for (; at != stop; count++) {
        uint8_t output = byte_at(at);

        if (count == DW_STEPS_MAX || stop - at < 3u) {
            return 0;
        }
        step->phase = output;
        step->left = word_at(at + 1u);
        at += 3u;
        output &= (uint8_t)~DW_AFTER_ALL;
        if (output >= DW_CHANNELS) {
            if (output >= DW_OUTPUTS || stop - at < 2u) {
                return 0;
            }
            step->left |= (uint32_t)word_at(at) << 16;
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

/* The steps of a short recipe: how many, 0 when one is broken. Kept apart from long ones: it is what is read most, and an
 * 8-bit core has few registers. */
DW_APART static uint8_t read_short(place_t at, uint8_t head, dw_step_t *step, place_t start)
{
    const uint8_t source = read_from;
    const uint8_t entries = byte_at(start + DW_ENTRIES_AT);
    const uint8_t grain = byte_at(start + DW_GRAIN_AT);
    uint8_t left = head >> 4;
    uint8_t count = 0;

    if (grain > DW_GRAIN_MAX) {
        return 0;
    }
    start += DW_DICTIONARY_AT;
    do {
        uint8_t code = LOOK(at);
        uint8_t output = code / DW_CODES;
        uint8_t waits = 0;
        uint16_t value;

        at++;
        left--;
        if (count == DW_STEPS_MAX) {
            return 0;
        }
        count++;
        code &= DW_CODES - 1u;
        if (code < entries) {
            code = LOOK(start + code);
            value = (uint16_t)(code * grain); /* of 8 bits: one multiplication */
        } else {
            uint8_t high = 0;

            for (;;) {
                if (left == 0) {
                    return 0;
                }
                left--;
                code = byte_at(at);
                at++;
                if (high != 0 || code < DW_WIDE) {
                    break;
                }
                high = code;
            }
            value = (uint16_t)((high & 15u) << 8 | code);
        }
        if (value == 0) {
            return 0;
        }
        step->left = value;
        if ((head & HAS_STAGES) != 0) {
            if ((output & MORE_STAGES) == 0) {
                head &= (uint8_t)~HAS_STAGES;
            }
            output = (uint8_t)((output & (uint8_t)~MORE_STAGES) + DW_CHANNELS);
        } else {
            if (left == 0 && (head & CLOSING) != 0) {
                output = (uint8_t)(output + DW_CHANNELS);
            } else if (output >= DW_CHANNELS) {
                return 0;
            }
            if ((head & FIRST_WAITS) != 0 || (left == 0 && (head & LAST_WAITS) != 0)) {
                waits = DW_AFTER_ALL;
                head &= (uint8_t)~FIRST_WAITS;
            }
        }
        if (output >= DW_OUTPUTS) {
            return 0;
        }
        step->phase = output | waits;
        step++;
    } while (left != 0);
    return (head & HAS_STAGES) == 0 ? count : 0u;
}

/* Passes over blocks, then over recipes. */
uint8_t dw_recipes_read_at(const dw_record_t *record, uint16_t index, dw_step_t *step)
{
    const uint8_t source = record->source;
    place_t start = record->base;
    place_t last; /* of the body */
    place_t at;
    place_t next;
    uint8_t head;
    uint8_t skip;

    read_from = source;
    if ((source & DW_FROM_FIRMWARE) != 0) {
        start = (place_t)dw_record_rom(DW_RECIPES);
    }
    last = (place_t)(start + record->length - DW_RECORD_TAIL - 1u);
    at = start + DW_DICTIONARY_AT + byte_at(start + DW_ENTRIES_AT);
    head = byte_at(start + DW_COUNT_AT);
    if (index >= (uint16_t)((uint16_t)byte_at(start + DW_COUNT_AT + 1u) << 8 | head)) {
        return DW_NO_RECIPE;
    }
    for (;;) {
        if (at >= last) { /* neither a length nor a recipe has less than two bytes */
            return 0;
        }
        head = LOOK(at);
        at++;
        next = at + head;
        if (head >= DW_WIDE) {
            next = at + 1u + (uint16_t)((head & 15u) << 8 | byte_at(at));
            at++;
        }
        if (index < DW_BLOCK) {
            break;
        }
        index = (uint16_t)(index - DW_BLOCK);
        at = next;
    }
    dw_block_end = (dw_offset_t)(next - start);
    skip = (uint8_t)index;
    for (;;) {
        if (at >= last) {
            return 0;
        }
        head = LOOK(at);
        at++;
        next = at + (head >> 4);
        if (head < DW_LONG) {
            next = at + 1u + (uint16_t)(head << 8 | byte_at(at));
            at++;
        }
        if (skip == 0) {
            break;
        }
        skip--;
        at = next;
    }
    if (next > last + 1u) {
        return 0;
    }
    dw_recipe_end = (dw_offset_t)(next - start);
    return head < DW_LONG ? read_long(at, next, step) : read_short(at, head, step, start);
}

/* The servings stand at the very end. Of at most 16: a rotten number of them is cut. */
static uint8_t servings_of(const dw_record_t *record)
{
    return dw_record8(record, DW_SERVINGS_AT) & 31u;
}

/* The place of a listed number among the recipes; 65535, which no recipe has, when there is none. The list is read from
 * its end on, so that a rotten count reads nothing before the lists. */
static uint16_t index_of(const dw_record_t *record, uint16_t number)
{
    uint16_t count = dw_record16(record, DW_COUNT_AT);
    dw_offset_t at = (dw_offset_t)(record->length - DW_RECORD_TAIL - 4u * servings_of(record));

    while (count != 0 && at > DW_DICTIONARY_AT) {
        count--;
        at = (dw_offset_t)(at - 2u);
        if (dw_record16(record, at) == number) {
            return count;
        }
    }
    return UINT16_MAX;
}

uint8_t dw_recipes_read(const dw_record_t *record, uint16_t number, dw_step_t *steps)
{
    uint16_t index = (uint16_t)(number - 1u);

    if (dw_record8(record, DW_LISTED_AT) != 0) {
        index = index_of(record, number);
    }
    return dw_recipes_read_at(record, index, steps);
}

uint16_t dw_recipes_unit(const dw_record_t *record)
{
    return dw_record16(record, DW_UNIT_AT);
}

uint32_t dw_recipes_serving(const dw_record_t *record, uint8_t index)
{
    uint8_t servings = servings_of(record);

    if (index >= servings) {
        return 0;
    }
    return dw_record32(record, (dw_offset_t)(record->length - DW_RECORD_TAIL - 4u * (uint8_t)(servings - index)));
}
