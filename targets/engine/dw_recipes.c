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

static bool in_rom; /* where the recipe lies that is being read */

dw_offset_t dw_recipe_end;
dw_offset_t dw_block_end;

/* The byte at a place. Program memory is read without a call. */
#define LOOK(place)                                                                                            \
    (rom ? dw_rom8((const uint8_t *)(place)) /* NOLINT(performance-no-int-to-ptr): it was made of a pointer */ \
         : dw_port_store_read((dw_offset_t)(place)))

/* The same with a call, which is shorter. */
DW_APART static uint8_t byte_at(place_t place)
{
    const bool rom = in_rom;

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
    uint8_t entries = byte_at(start + DW_ENTRIES_AT);
    uint8_t grain = byte_at(start + DW_GRAIN_AT);
    const bool rom = in_rom;
    uint8_t left = head >> 4;
    uint8_t count = 0;

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
            const uint8_t entry = LOOK(start + code); /* of 8 bits: one multiplication */

            value = (uint16_t)(entry * grain);
        } else {
            if (left == 0) {
                return 0;
            }
            left--;
            value = byte_at(at);
            at++;
            if (value >= DW_WIDE) {
                if (left == 0) {
                    return 0;
                }
                left--;
                value = (uint16_t)((value & 15u) << 8 | byte_at(at));
                at++;
            }
        }
        if ((uint16_t)(value - 1u) >= DW_WEIGHT_MAX) {
            return 0;
        }
        if ((head & HAS_STAGES) != 0) {
            if ((output & MORE_STAGES) == 0) {
                head &= (uint8_t)~HAS_STAGES;
            }
            output = (uint8_t)((output & (uint8_t)~MORE_STAGES) + DW_CHANNELS);
        } else {
            if ((head & FIRST_WAITS) != 0) {
                waits = DW_AFTER_ALL;
                head &= (uint8_t)~FIRST_WAITS;
            }
            if (left == 0 && (head & LAST_WAITS) != 0) {
                waits = DW_AFTER_ALL;
            }
            if (left == 0 && (head & CLOSING) != 0) {
                output = (uint8_t)(output + DW_CHANNELS);
            } else if (output >= DW_CHANNELS) {
                return 0;
            }
        }
        if (output >= DW_OUTPUTS) {
            return 0;
        }
        step->phase = output | waits;
        step->left = value;
        step++;
    } while (left != 0);
    return (head & HAS_STAGES) == 0 ? count : 0u;
}

/* Passes over blocks, then over recipes. */
uint8_t dw_recipes_read_at(const dw_record_t *record, uint16_t index, dw_step_t *step)
{
    const bool rom = record->source == DW_FROM_FIRMWARE;
    place_t start = record->base;
    place_t at;
    place_t last;
    uint16_t size;
    uint8_t head;
    uint8_t skip;

    in_rom = rom;
    if (rom) {
        start = (place_t)dw_record_rom(DW_RECIPES);
    }
    last = (place_t)(start + record->length - DW_RECORD_TAIL - 1u);
    at = start + DW_DICTIONARY_AT + byte_at(start + DW_ENTRIES_AT);
    for (;;) {
        if (at >= last) { /* neither a length nor a recipe has less than two bytes */
            return 0;
        }
        size = LOOK(at);
        at++;
        if (size >= DW_WIDE) {
            size = (uint16_t)((size & 15u) << 8 | byte_at(at));
            at++;
        }
        if (index < DW_BLOCK) {
            break;
        }
        index = (uint16_t)(index - DW_BLOCK);
        at += size;
    }
    dw_block_end = (dw_offset_t)(at + size - start);
    skip = (uint8_t)index;
    for (;;) {
        if (at >= last) {
            return 0;
        }
        head = LOOK(at);
        at++;
        size = head >> 4;
        if (size == 0) {
            size = (uint16_t)(head << 8 | byte_at(at));
            at++;
        }
        if (skip == 0) {
            break;
        }
        skip--;
        at += size;
    }
    if (size > last + 1u - at) {
        return 0;
    }
    dw_recipe_end = (dw_offset_t)(at + size - start);
    return head < DW_LONG ? read_long(at, at + size, step) : read_short(at, head, step, start);
}

/* The servings stand at the very end. Of at most 16: a rotten number of them is cut. */
static uint8_t servings_of(const dw_record_t *record)
{
    return dw_record8(record, DW_SERVINGS_AT) & 31u;
}

/* The place of a listed number among the recipes; 65535, which no recipe has, when there is none. The list is read from
 * its end on, so that a rotten count reads nothing before the lists. */
static uint16_t index_of(const dw_record_t *record, uint16_t number, uint16_t count)
{
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
    uint16_t count = dw_record16(record, DW_COUNT_AT);
    uint16_t index = (uint16_t)(number - 1u);

    if (dw_record8(record, DW_LISTED_AT) != 0) {
        index = index_of(record, number, count);
    }
    return index < count ? dw_recipes_read_at(record, index, steps) : DW_NO_RECIPE;
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
