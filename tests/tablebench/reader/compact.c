/* Reader of compact recipes. One table is open at a time: its parts lie in static memory, where an 8-bit core
 * reaches them in two cycles. */
#include "compact.h"

#define BLOCK 16u /* recipes between two entries of the index */
#define MORE 255u /* of a number: the next byte is to be added */
#define HEAD 3u
#if COMPACT_CHANNELS <= 8 && COMPACT_STAGES <= 4
#define CODES 31u
#define MORE_STAGES 4u /* in the output of a stage's step: another stage follows */
#else
#define CODES 15u
#define MORE_STAGES 8u
#endif
#define OUTPUT 127u /* without the mark */
#define WEIGHT_MAX 4095u
#define TICKS_MAX 0x7FFFFFFFu
#define GRAIN_MAX 16u /* 255 * 16 and 15 * 255 fit 12 bits, and 16 such weights 16 bits: no sum can overflow */

static struct {
    table_address_t dictionary;
    table_address_t index;
    table_address_t recipes;
    table_address_t end;
    uint16_t count;
    uint8_t entries; /* of the dictionary */
    uint8_t grain;
    uint8_t marks[3];
} table;

bool compact_open(table_address_t start, table_address_t length, uint16_t count)
{
    table.count = 0;
    if (length < HEAD || count == 0u) {
        return false;
    }
    table.end = (table_address_t)(start + length);
    table.entries = table_byte(start);
    table.grain = table_byte((table_address_t)(start + 1u));
    uint8_t marks = table_byte((table_address_t)(start + 2u));
    table.marks[1] = marks & 15u;
    table.marks[2] = marks >> 4;
    if (table.entries > CODES || table.grain == 0u || table.grain > GRAIN_MAX) {
        return false;
    }
    table.dictionary = (table_address_t)(start + HEAD);
    table.index = (table_address_t)(table.dictionary + table.entries);
    if (HEAD + table.entries > length) {
        return false;
    }
    for (table_address_t at = table.dictionary; at != table.index;) {
        if (table_next(&at) == 0u) {
            return false;
        }
    }
    table.recipes = table.index;
    for (uint16_t blocks = (uint16_t)((count - 1u) / BLOCK); blocks != 0u; blocks--) {
        uint8_t part;
        do {
            if (table.recipes == table.end) {
                return false;
            }
            part = table_next(&table.recipes);
        } while (part == MORE);
    }
    if (table.recipes == table.end) {
        return false;
    }
    table.count = count;
    return true;
}

#if COMPACT_LONG
/* The steps of a long record: any output, value and mark. */
static bool read_long(table_address_t at, uint8_t left, compact_recipe_t *recipe)
{
    uint8_t count = 0;
    uint16_t sum = 0;
    while (left != 0u) {
        if (left < 2u || count == COMPACT_STEPS_MAX) {
            return false;
        }
        left = (uint8_t)(left - 2u);
        compact_step_t *step = &recipe->step[count++];
        step->output = table_next(&at);
        const bool dose = (step->output & OUTPUT) < COMPACT_CHANNELS;
        compact_value_t value = table_next(&at);
        if (value == 0u) {
            uint8_t size = dose ? 2u : 4u;
            if (left < size) {
                return false;
            }
            left = (uint8_t)(left - size);
            at = (table_address_t)(at + size);
            for (table_address_t from = at; size != 0u; size--) {
                value = value << 8 | table_byte(--from);
            }
        }
        if ((step->output & OUTPUT) >= COMPACT_CHANNELS + COMPACT_STAGES || value == 0u ||
            value > (dose ? WEIGHT_MAX : TICKS_MAX)) {
            return false;
        }
        if (dose) {
            sum = (uint16_t)(sum + (uint16_t)value);
            if (sum < value) {
                return false;
            }
        }
        step->value = value;
    }
    recipe->steps = count;
    return true;
}
#endif

bool compact_read(uint16_t index, compact_recipe_t *recipe)
{
    table_address_t at = table.recipes;
    const table_address_t end = table.end;

    if (index >= table.count) {
        return false;
    }
    for (table_address_t entry = table.index; index >= BLOCK; index = (uint16_t)(index - BLOCK)) {
        uint8_t part;
        do {
            part = table_next(&entry);
            at = (table_address_t)(at + part);
            if (at >= end) {
                return false;
            }
        } while (part == MORE);
    }
    for (uint8_t skip = (uint8_t)index; skip != 0u; skip--) {
        uint8_t passed = table_next(&at) >> 4;
#if COMPACT_LONG
        if (passed == 0u) {
            if (at >= end) {
                return false;
            }
            passed = table_next(&at);
        }
#endif
        at = (table_address_t)(at + passed);
        if (at >= end) {
            return false;
        }
    }
    const uint8_t head = table_next(&at);
    uint8_t left = head >> 4;
#if COMPACT_LONG
    if (left == 0u) {
        if (at >= end) {
            return false;
        }
        left = table_next(&at);
    }
#endif
    if (left > (table_address_t)(end - at)) {
        return false;
    }

    recipe->given = head & 8u;
    uint8_t stage = head & 4u;
    uint8_t marks = head & 3u;
    if (marks != 3u) {
        marks = table.marks[marks];
    } else {
        if (left == 0u) {
            return false;
        }
        left--;
        marks = table_next(&at);
    }
    recipe->marks = marks;
#if COMPACT_LONG
    if (head < 16u) {
        return read_long(at, left, recipe);
    }
#endif

    uint8_t count = 0;
    compact_step_t *step = recipe->step;
    while (left-- != 0u) {
        uint8_t code = table_next(&at);
        uint8_t output = code / (CODES + 1u);
        code &= CODES;
        if (stage != 0u) {
            stage = output & MORE_STAGES;
            output ^= stage;
            if (output >= COMPACT_STAGES) {
                return false;
            }
            output = (uint8_t)(output + COMPACT_CHANNELS);
        } else {
            if (output >= COMPACT_CHANNELS) {
                return false;
            }
        }
        uint16_t value;
        if (code < table.entries) {
            value = (uint16_t)(table_byte((table_address_t)(table.dictionary + code)) * table.grain);
        } else {
            uint8_t part;
            value = 0;
            do {
                if (left-- == 0u) {
                    return false;
                }
                part = table_next(&at);
                value = (uint16_t)(value + part);
            } while (part == MORE);
            if (value == 0u) {
                return false;
            }
        }
        step->output = output;
        step->value = value;
        step++;
        count++;
    }
    recipe->steps = count;
    return stage == 0u;
}

bool compact_check(compact_recipe_t *recipe)
{
    for (uint16_t index = 0; index < table.count; index++) {
        if (!compact_read(index, recipe)) {
            return false;
        }
        bool poured = false;
        for (uint8_t i = 0; i < recipe->steps; i++) {
            const uint8_t output = recipe->step[i].output & OUTPUT;
            if (output < COMPACT_CHANNELS) {
                poured = true;
                for (uint8_t earlier = 0; earlier < i; earlier++) {
                    if ((recipe->step[earlier].output & OUTPUT) == output) {
                        return false;
                    }
                }
            }
        }
        if (!poured) {
            return false;
        }
    }
    return true;
}
