/* Reads compact recipes; TABLE.md has their bytes. An 8-bit core shifts one bit at a time: so everything is a whole
 * byte, and what lies in one is parted where the compiler knows the place. */
#include "dw_recipes.h"

#include "dw_engine.h"
#include "machine.h"

#define HEAD 8u /* bytes of the body before the servings */
#define SERVINGS_AT (DW_RECORD_HEAD + HEAD)
#define SERVINGS_MAX 16u
#define SERVING_MAX UINT32_C(4000000000)
#define WEIGHT_MAX 4095u
#define WEIGHT_SUM_MAX UINT32_C(65535)
#define TICKS_MAX UINT32_C(0x7FFFFFFF)
#define GRAIN_MAX 16u /* 255 * 16 and 14 * 255 fit 12 bits, and 15 such weights 16 bits */
#define BLOCK 16u     /* recipes to an entry of the index */
#define NARROW_MAX UINT32_C(65535) /* bytes of a record whose index has 16 bits */
#define CODES_MOST 31u
#define SHORT_MAX 15u /* bytes of a short recipe behind its head: it has no more lines */
#define MORE 255u     /* of a number: the next byte is added */

/* How a short step's byte is parted: 3 bits of output and 5 of code, or 4 and 4; 0: so many outputs that every recipe
 * is a long one. Bit 7 is that of a stage which another stage follows. */
#define OF_8 (DW_CHANNELS <= 8u && DW_OUTPUTS - DW_CHANNELS <= 4u)
#define OF_16 (DW_CHANNELS <= 16u && DW_OUTPUTS - DW_CHANNELS <= 8u)
#define CODES (OF_8 ? 31u : OF_16 ? 15u : 0u) /* of entries of the dictionary; the one above is never of an entry */
#define MORE_STAGES (OF_8 ? 4u : 8u)

/* Keeps what is rare out of a function that is called often, which then has fewer registers to save. */
#if defined(__GNUC__)
#define APART __attribute__((noinline))
#else
#define APART
#endif

/* Head of a recipe: bits 7-4 the bytes behind it, 0: a long one. */
#define HAS_STAGES 8u
#define FIRST_WAITS 4u
#define LAST_WAITS 2u
#define CLOSING 1u

#define CHANNELS_MOST 64u
#define AFTER_ALL 0x80u /* on the output of a long step */

/* An address of the store or of program memory. No table ends within 256 bytes of the last that there can be. */
typedef uintptr_t place_t;

/* A line of a short recipe: the output, with AFTER_ALL, and the weight or the units of a stage. */
typedef struct {
    uint8_t output;
    uint16_t value;
} short_line_t;

static struct {
    uint8_t source; /* of the open record, as its base is */
    dw_offset_t base;
    place_t numbers;
    place_t numbers_end; /* the dictionary follows; it is copied, for it is looked at most */
    place_t index;
    place_t recipes;
    place_t end;
    uint16_t count;
    uint16_t unit;
    uint8_t entries;
    uint8_t grain;
    bool wide; /* entries of the index */
    bool is_long; /* the open recipe; it is read from at to stop as it is asked for, a short one at once */
    bool good;    /* so far */
    place_t first; /* its head */
    place_t at;
    place_t stop;
    const short_line_t *next;
    const short_line_t *behind;
    union {
        short_line_t line[SHORT_MAX];
        uint8_t raw[SHORT_MAX * sizeof(short_line_t)]; /* at its end the bytes of a recipe from the store, for a while */
    } body;
    uint8_t dictionary[CODES_MOST];
} reader;

/* The byte at a pointer, which moves on; for a recipe that is at hand. */
#define TAKE(at) (rom ? dw_rom8((at)++) : *(at)++)

/* Bytes of an entry of the index. Where no offset has more than 16 bits the compiler knows. */
#define ENTRY (sizeof(dw_offset_t) > 2u && reader.wide ? 4u : 2u)

/* Bytes come from here alone. */
APART static uint8_t byte_at(place_t place)
{
    if (reader.source == DW_FROM_FIRMWARE) {
        return dw_rom8((const uint8_t *)place); /* NOLINT(performance-no-int-to-ptr): it was made of a pointer */
    }
    return dw_port_store_read((dw_offset_t)place);
}

/* The same where it has to be quick: program memory is then read without a call. */
#define LOOK(place)                                                                                            \
    (rom ? dw_rom8((const uint8_t *)(place)) /* NOLINT(performance-no-int-to-ptr): it was made of a pointer */ \
         : byte_at(place))

static uint16_t number_at(place_t place)
{
    return (uint16_t)(byte_at(place) | (uint16_t)((uint16_t)byte_at(place + 1u) << 8));
}

/* Where a block of recipes starts, as the index has it. */
static place_t block_at(uint16_t block)
{
    const bool rom = reader.source == DW_FROM_FIRMWARE;
    place_t entry = reader.index + (place_t)block * ENTRY;
    place_t offset = 0;

    if (block != 0) {
        offset = LOOK(entry - ENTRY + 1u);
        offset = (place_t)(offset << 8 | LOOK(entry - ENTRY));
        if (ENTRY != 2u) {
            offset |= (place_t)((uint32_t)number_at(entry - 2u) << 16);
        }
    }
    return offset < reader.end - reader.recipes ? reader.recipes + offset : reader.end;
}

/* Where the parts of a record are, each of them within the body. */
static bool find_parts(const dw_record_t *record)
{
    dw_offset_t body_end = (dw_offset_t)(record->length - DW_RECORD_TAIL);
    place_t start = record->source == DW_FROM_FIRMWARE ? (place_t)dw_record_rom(record->kind) : record->base;
    uint32_t length = record->length;
    uint32_t lists_end;

    if (body_end < SERVINGS_AT) {
        return false;
    }
    reader.wide = length > NARROW_MAX;
    reader.count = dw_record16(record, DW_RECORD_HEAD + 2u);
    reader.entries = dw_record8(record, DW_RECORD_HEAD + 4u);
    reader.grain = dw_record8(record, DW_RECORD_HEAD + 5u);
    reader.unit = dw_record16(record, DW_RECORD_HEAD + 6u);
    lists_end = SERVINGS_AT + UINT32_C(4) * dw_record8(record, DW_RECORD_HEAD);
    reader.numbers = (place_t)(start + lists_end);
    if (dw_record8(record, DW_RECORD_HEAD + 1u) != 0) {
        lists_end += UINT32_C(2) * reader.count;
    }
    reader.numbers_end = (place_t)(start + lists_end);
    lists_end += reader.entries;
    reader.index = (place_t)(start + lists_end);
    lists_end += ENTRY * (reader.count == 0 ? 0u : (reader.count - UINT32_C(1)) / BLOCK);
    reader.recipes = (place_t)(start + lists_end);
    reader.end = (place_t)(start + body_end);
    return lists_end <= body_end && reader.entries <= CODES && reader.grain != 0 && reader.grain <= GRAIN_MAX &&
           reader.unit != 0;
}

/* Makes a record the open one. */
APART static bool open_record(const dw_record_t *record)
{
    uint8_t i;

    reader.source = record->source;
    reader.base = record->base;
    if (!find_parts(record)) {
        reader.source = DW_FROM_NOWHERE;
        return false;
    }
    for (i = 0; i < reader.entries; i++) {
        reader.dictionary[i] = byte_at(reader.numbers_end + i);
    }
    return true;
}

/* The bytes of a long recipe, told by a number behind its head; false when there are not so many. */
APART static bool measure_long(void)
{
    place_t at = reader.first + 1u;
    place_t length = 0;
    uint8_t part;

    do {
        if (at >= reader.end) {
            return false;
        }
        part = byte_at(at);
        at++;
        length += part;
    } while (part == MORE);
    if (length > reader.end - at) {
        return false;
    }
    reader.at = at;
    reader.stop = at + length;
    return true;
}

/* Marks those lines of a short recipe that wait for all before them. */
APART static void mark_waits(uint8_t head, short_line_t *first_dose, short_line_t *behind)
{
    if ((head & CLOSING) != 0 && behind != first_dose) {
        behind--;
        behind->output |= AFTER_ALL;
    }
    if (behind == first_dose) {
        return;
    }
    if ((head & FIRST_WAITS) != 0) {
        first_dose->output |= AFTER_ALL;
    }
    if ((head & LAST_WAITS) != 0) {
        behind--;
        behind->output |= AFTER_ALL;
    }
}

/* The lines of a short recipe, all at once, from bytes in program memory or in reader.body.raw, where a line lands
 * only on bytes that were read. Nothing is called in here: an 8-bit core has few registers to keep over a call. */
APART static bool read_short(const uint8_t *at, uint8_t left, uint8_t head)
{
    const bool rom = reader.source == DW_FROM_FIRMWARE;
    const uint8_t entries = reader.entries;
    const uint8_t grain = reader.grain;
    short_line_t *line = reader.body.line;
    short_line_t *first_dose = line;

    while (left != 0) {
        uint8_t code = TAKE(at);
        uint8_t output = (uint8_t)(code / (CODES + 1u));
        uint16_t value;

        left--;
        code &= (uint8_t)CODES;
        if (code < entries) {
            value = (uint16_t)(reader.dictionary[code] * grain);
        } else {
            uint8_t part;

            value = 0;
            do {
                if (left == 0) {
                    return false;
                }
                left--;
                part = TAKE(at);
                value = (uint16_t)(value + part);
            } while (part == MORE);
        }
        if (value == 0) {
            return false;
        }
        if ((head & HAS_STAGES) != 0) {
            if ((output & MORE_STAGES) == 0) {
                head &= (uint8_t)~HAS_STAGES;
                first_dose = line + 1;
            }
            output = (uint8_t)((output & (uint8_t)~MORE_STAGES) + DW_CHANNELS);
        } else if ((head & CLOSING) != 0 && left == 0) {
            output = (uint8_t)(output + DW_CHANNELS);
        } else if (output >= DW_CHANNELS) {
            return false;
        }
        if (output >= DW_OUTPUTS) {
            return false;
        }
        line->output = output;
        line->value = value;
        line++;
    }
    reader.behind = line;
    if ((head & (FIRST_WAITS | LAST_WAITS | CLOSING)) != 0) {
        mark_waits(head, first_dose, line);
    }
    return (head & HAS_STAGES) == 0;
}

/* Copies the bytes of a short recipe out of the store, to where they can be read without a call. */
APART static const uint8_t *fetch(place_t at, uint8_t size)
{
    uint8_t *raw = reader.body.raw + sizeof reader.body.raw;

    for (at += size; size != 0; size--) {
        at--;
        raw--;
        *raw = byte_at(at);
    }
    return raw;
}

/* Opens the recipe whose head is at reader.first. */
static bool open_recipe(void)
{
    const bool rom = reader.source == DW_FROM_FIRMWARE;
    const uint8_t *from;
    place_t at = reader.first;
    uint8_t head;
    uint8_t size;

    reader.next = reader.body.line;
    reader.behind = reader.body.line;
    reader.is_long = false;
    if (at >= reader.end) {
        return false;
    }
    head = LOOK(at);
    at++;
    size = head >> 4;
    if (size == 0) {
        reader.is_long = measure_long() && head == 0;
        return reader.is_long;
    }
    reader.stop = at + size;
    if (CODES == 0 || reader.stop > reader.end) {
        return false;
    }
    from = rom ? (const uint8_t *)at : fetch(at, size); /* NOLINT(performance-no-int-to-ptr): as above */
    return read_short(from, size, head);
}

void dw_recipes_again(void)
{
    reader.good = open_recipe();
}

/* A line of a long recipe whose first byte is there. */
static bool read_long(dw_line_t *line)
{
    place_t at = reader.at;
    uint8_t output = byte_at(at);
    uint32_t amount;
    bool dose;

    at++;
    line->after_all = (output & AFTER_ALL) != 0;
    output &= (uint8_t)~AFTER_ALL;
    dose = output < DW_CHANNELS;
    line->output = output;
    if (output >= DW_OUTPUTS || at == reader.stop) {
        return false;
    }
    amount = byte_at(at);
    at++;
    if (amount == 0) {
        uint8_t size = dose ? 2u : 4u;
        place_t from;

        if ((place_t)(reader.stop - at) < size) {
            return false;
        }
        at += size;
        for (from = at; size != 0; size--) {
            from--;
            amount = amount << 8 | byte_at(from);
        }
    }
    reader.at = at;
    line->amount = amount;
    return amount != 0 && amount <= (dose ? WEIGHT_MAX : TICKS_MAX);
}

/* The next line of a long recipe; after a bad one there is none. */
APART static bool next_long(dw_line_t *line)
{
    reader.is_long = reader.at != reader.stop;
    if (reader.is_long) {
        reader.good = read_long(line);
        reader.is_long = reader.good;
    }
    return reader.is_long;
}

bool dw_recipes_next(dw_line_t *line)
{
    const short_line_t *from;

    if (reader.is_long) {
        return next_long(line);
    }
    from = reader.next;
    if (from == reader.behind) {
        return false;
    }
    reader.next = from + 1;
    line->after_all = from->output >= AFTER_ALL;
    line->output = from->output & (uint8_t)~AFTER_ALL;
    line->amount = line->output < DW_CHANNELS ? from->value : (uint32_t)from->value * reader.unit;
    return true;
}

bool dw_recipes_ended(void)
{
    return reader.good;
}

/* Reads it whole: every line good, no channel twice, a dose, a sum within its limit, no more lines than there is room
 * for. */
static bool recipe_is_good(void)
{
    uint8_t seen[(CHANNELS_MOST + 7u) / 8u] = { 0 };
    uint32_t weights = 0;
    uint8_t lines = 0;
    dw_line_t line;

    while (dw_recipes_next(&line)) {
        if (lines == DW_STEPS_MAX) {
            return false;
        }
        lines++;
        if (line.output < DW_CHANNELS) {
            uint8_t bit = (uint8_t)(1u << (line.output & 7u));

            if ((seen[line.output >> 3] & bit) != 0) {
                return false;
            }
            seen[line.output >> 3] |= bit;
            weights += line.amount;
        }
    }
    return reader.good && weights != 0 && weights <= WEIGHT_SUM_MAX;
}

/* The recipes fill the body, one behind the other, and the index says so. */
static bool recipes_are_good(void)
{
    uint16_t i;

    reader.first = reader.recipes;
    for (i = 0; i < reader.count; i++) {
        if (i % BLOCK == 0 && block_at(i / BLOCK) != reader.first) {
            return false;
        }
        dw_recipes_again();
        if (!recipe_is_good()) {
            return false;
        }
        reader.first = reader.stop;
    }
    return reader.first == reader.end;
}

/* What the head and the lists say, each within its limits. */
static bool lists_are_good(const dw_record_t *record)
{
    uint8_t servings = dw_record8(record, DW_RECORD_HEAD);
    uint32_t before = 0;
    place_t at;
    uint8_t i;

    if (servings == 0 || servings > SERVINGS_MAX || dw_record8(record, DW_RECORD_HEAD + 1u) > 1u) {
        return false;
    }
    for (i = 0; i < servings; i++) {
        uint32_t quanta;

        if (!dw_recipes_serving(record, i, &quanta) || quanta == 0 || quanta > SERVING_MAX) {
            return false;
        }
    }
    for (at = reader.numbers; at != reader.numbers_end; at += 2u) {
        uint32_t number = number_at(at) + UINT32_C(1);

        if (number <= before) {
            return false;
        }
        before = number;
    }
    for (i = 0; i < reader.entries; i++) {
        if (reader.dictionary[i] == 0) {
            return false;
        }
    }
    return true;
}

uint8_t dw_recipes_check(const dw_record_t *record)
{
    if (open_record(record) && lists_are_good(record) && recipes_are_good()) {
        return DW_OK;
    }
    reader.source = DW_FROM_NOWHERE;
    return DW_BAD_RECORD;
}

bool dw_recipes_serving(const dw_record_t *record, uint8_t index, uint32_t *quanta)
{
    if (index >= dw_record8(record, DW_RECORD_HEAD)) {
        return false;
    }
    *quanta = dw_record32(record, (dw_offset_t)(SERVINGS_AT + (dw_offset_t)4u * index));
    return true;
}

/* The place of a number among the recipes; their count when there is none. Halves the list at each look. */
APART static uint16_t index_of(uint16_t number)
{
    uint16_t low = 0;
    uint16_t high = reader.count;

    while (low < high) {
        uint16_t middle = (uint16_t)(low + (uint16_t)(high - low) / 2u);
        uint16_t found = number_at((place_t)(reader.numbers + (place_t)2u * middle));

        if (found == number) {
            return middle;
        }
        if (found < number) {
            low = (uint16_t)(middle + 1u);
        } else {
            high = middle;
        }
    }
    return reader.count;
}

bool dw_recipes_find(const dw_record_t *record, uint16_t number)
{
    const bool rom = record->source == DW_FROM_FIRMWARE;
    place_t end;
    place_t at;
    uint16_t index;
    uint8_t skip;

    if ((reader.source != record->source || reader.base != record->base) && !open_record(record)) {
        return false;
    }
    index = reader.numbers == reader.numbers_end ? (uint16_t)(number - 1u) : index_of(number);
    if (index >= reader.count) {
        return false;
    }
    end = reader.end;
    at = block_at(index / BLOCK);
    for (skip = (uint8_t)(index % BLOCK); skip != 0; skip--) {
        uint8_t size;

        if (at >= end) {
            return false;
        }
        size = LOOK(at);
        size >>= 4;
        at++;
        if (size != 0) {
            at += size;
        } else {
            reader.first = at - 1u;
            if (!measure_long()) {
                return false;
            }
            at = reader.stop;
        }
    }
    reader.first = at;
    dw_recipes_again();
    return reader.good;
}
