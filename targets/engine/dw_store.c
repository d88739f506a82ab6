#include "dw_store.h"

#include "dw_calibration.h"
#include "dw_recipes.h"
#include "dw_state.h"

#define SLOTS 2u
#define SLOT_HEAD 4u /* two bytes of mark, u16 sequence number */
#define CALIBRATION_SLOT_OF(channels) \
    (SLOT_HEAD + DW_RECORD_HEAD + DW_UNIT_NAME + 1u + 9u * (channels) + DW_RECORD_TAIL)
#define CALIBRATION_SLOT CALIBRATION_SLOT_OF(DW_CHANNELS)
#define UNIT_AT 1u /* address 0 is what a cut supply damages first */
#define UNIT_BYTES (1u + DW_UNIT_NAME + DW_RECORD_TAIL)
#define CALIBRATION_AT (UNIT_AT + UNIT_BYTES)
#define RECIPES_AT (CALIBRATION_AT + SLOTS * CALIBRATION_SLOT)
#define RECIPES_SLOT ((DW_STORE_SIZE - RECIPES_AT) / SLOTS)

/* Compiles only where the calibrations of all channels leave room for recipes: else a slot would reach past the store. */
typedef char store_is_large_enough[CALIBRATION_AT + SLOTS * (CALIBRATION_SLOT_OF(DW_CHANNELS_CAPACITY) + 64u) <= DW_STORE_SIZE
                                       ? 1
                                       : -1];

/* Marks, the first byte below. No two share a byte, and none has a byte of an erased or a zeroed cell. */
#define OPEN 0x5C35u
#define COMMITTED 0xC9A6u
#define SUPERSEDED 0x9A53u
#define ERASED 0xFFFFu
/* The one byte of mark before the unit's name. */
#define UNNAMED 0x35u
#define NAMED 0xA6u

/* Where the record of a kind lies in slot 0, in slot 1, and the sum of both. */
#define OF(kind, of_recipes, of_calibration) ((dw_offset_t)((kind) == DW_RECIPES ? (of_recipes) : (of_calibration)))
#define FIRST(kind) OF(kind, RECIPES_AT + SLOT_HEAD, CALIBRATION_AT + SLOT_HEAD)
#define SECOND(kind) OF(kind, RECIPES_AT + RECIPES_SLOT + SLOT_HEAD, CALIBRATION_AT + CALIBRATION_SLOT + SLOT_HEAD)
#define BOTH(kind) OF(kind, 2u * (RECIPES_AT + SLOT_HEAD) + RECIPES_SLOT, 2u * (CALIBRATION_AT + SLOT_HEAD) + CALIBRATION_SLOT)

/* Wherever these come from, `base` is a place in a slot: the next upload goes to the other one. */
static dw_record_t in_force[DW_KINDS];
static uint8_t upload_kind;
static dw_offset_t upload_length; /* 0: no upload is going on */

static uint16_t read16(dw_offset_t at)
{
    return (uint16_t)(dw_port_store_read(at) |
                      (uint16_t)((uint16_t)dw_port_store_read((dw_offset_t)(at + 1u)) << 8));
}

/* Of the slot whose record lies at `base`. */
static uint16_t mark_of(dw_offset_t base)
{
    return read16((dw_offset_t)(base - SLOT_HEAD));
}

DW_APART static uint16_t sequence_of(dw_offset_t base)
{
    return read16((dw_offset_t)(base - 2u));
}

uint16_t dw_store_mark(uint8_t kind, uint8_t slot)
{
    return mark_of(slot == 0 ? FIRST(kind) : SECOND(kind));
}

/* Never the slot that is marked committed, even if what is in it has rotted: it keeps the number to go on from. */
DW_APART static dw_offset_t spare_of(uint8_t kind)
{
    return (dw_offset_t)(BOTH(kind) - in_force[kind].base);
}

/* Bytes a slot has for a record. */
DW_APART static dw_offset_t space_of(uint8_t kind)
{
    return OF(kind, RECIPES_SLOT - SLOT_HEAD, CALIBRATION_SLOT - SLOT_HEAD);
}

/* A record in the store over the whole space of a slot. */
static void stored(dw_record_t *record, uint8_t kind, dw_offset_t base)
{
    record->source = DW_FROM_STORE;
    record->kind = kind;
    record->base = base;
    record->length = space_of(kind);
}

/* Leaves alone what is right already, for each write wears the cell; reads back what it wrote. */
static bool write_byte(dw_offset_t at, uint8_t value)
{
    if (dw_port_store_read(at) == value) {
        return true;
    }
    return dw_port_store_write(at, value) && dw_port_store_read(at) == value;
}

/* The low byte is at the lower address. Writes first the byte which, torn to anything at all, cannot complete the mark of a
 * committed slot. */
static bool write16(dw_offset_t at, uint16_t value)
{
    dw_offset_t upper_at = (dw_offset_t)(at + 1u);
    uint8_t upper = (uint8_t)(value >> 8);

    if (dw_port_store_read(upper_at) == COMMITTED >> 8 && !write_byte(upper_at, upper)) {
        return false;
    }
    return write_byte(at, (uint8_t)(value & 0xFFu)) && write_byte(upper_at, upper);
}

DW_APART static bool set_mark(dw_offset_t base, uint16_t mark)
{
    return write16((dw_offset_t)(base - SLOT_HEAD), mark);
}

static bool write_bytes(dw_offset_t at, const uint8_t *bytes, uint8_t count)
{
    for (; count != 0; count--) {
        if (!write_byte(at, *bytes)) {
            return false;
        }
        at++;
        bytes++;
    }
    return true;
}

/* Where the unit's name is; false when it has none, or the CRC behind it is that of another. */
DW_APART static bool find_unit(dw_record_t *unit)
{
    unit->source = DW_FROM_STORE;
    unit->kind = DW_CALIBRATION;
    unit->base = UNIT_AT + 1u;
    unit->length = DW_UNIT_NAME;
    return dw_record_crc(unit, 0, DW_UNIT_NAME + DW_RECORD_TAIL) == DW_CRC_OF_GOOD;
}

void dw_store_unit(dw_record_t *unit)
{
    if (!find_unit(unit) || dw_port_store_read(UNIT_AT) != NAMED) {
        unit->source = DW_FROM_NOWHERE;
    }
}

/* Checks a record once; readers rely on it from then on. */
static dw_answer_t check(dw_record_t *record)
{
    uint8_t reason = dw_record_check(record, record->length);
    dw_record_t unit;

    if (reason == DW_OK) {
        if (record->kind != DW_RECIPES) {
            dw_store_unit(&unit);
            return dw_calibration_check(record, &unit);
        }
        reason = dw_recipes_check(record, dw_state.steps);
    }
    return dw_answer(reason, 0);
}

/* What is in force is good, or it is from nowhere and nothing is poured. */
static void judge(dw_record_t *record)
{
    if (record->source != DW_FROM_NOWHERE && check(record).reason != DW_OK) {
        record->source = DW_FROM_NOWHERE;
    }
}

/* The later of two numbers that may have wrapped. */
static bool is_later(uint16_t a, uint16_t b)
{
    return (uint16_t)(a - b) - 1u < 0x7FFFu;
}

static void start_kind(uint8_t kind)
{
    dw_record_t *record = &in_force[kind];
    dw_offset_t spare = FIRST(kind);
    dw_offset_t base = SECOND(kind);
    uint16_t mark = mark_of(base);

    if (mark_of(spare) == COMMITTED && (mark != COMMITTED || is_later(sequence_of(spare), sequence_of(base)))) {
        dw_offset_t first = spare;

        spare = base;
        base = first;
        mark = COMMITTED;
    }
    if (mark != COMMITTED) {
        dw_record_built_in(kind, record);
        record->base = base;
    } else {
        stored(record, kind, base);
        /* the last step of an upload that a power cut kept from being done; if it fails now, it is done at the next start */
        if (mark_of(spare) != OPEN) {
            (void)set_mark(spare, SUPERSEDED);
        }
    }
    /* without a committed slot: the first upload goes to slot 0, and then marks slot 1 */
    if (mark != COMMITTED && mark != ERASED) {
        record->source = DW_FROM_NOWHERE;
    }
    judge(record);
}

void dw_store_start(void)
{
    uint8_t kind;

    upload_length = 0;
    for (kind = 0; kind < DW_KINDS; kind++) {
        start_kind(kind);
    }
}

const dw_record_t *dw_store_record(uint8_t kind)
{
    return &in_force[kind];
}

void dw_store_spare(uint8_t kind, dw_record_t *record)
{
    stored(record, kind, spare_of(kind));
}

dw_answer_t dw_store_begin(uint8_t kind, dw_offset_t length)
{
    upload_length = 0;
    if (kind >= DW_KINDS) {
        return dw_answer(DW_BAD_RECORD, 0);
    }
    if (length < DW_RECORD_HEAD + DW_RECORD_TAIL || length > space_of(kind)) {
        return dw_answer(DW_BAD_LENGTH, 0);
    }
    if (!set_mark(spare_of(kind), OPEN)) {
        return dw_answer(DW_STORE_FAILED, 0);
    }
    upload_kind = kind;
    upload_length = length;
    return dw_answer(DW_OK, 0);
}

dw_answer_t dw_store_chunk(dw_offset_t offset, const uint8_t *bytes, uint8_t count)
{
    if (upload_length == 0) {
        return dw_answer(DW_BAD_RECORD, 0);
    }
    if (offset > upload_length || count > upload_length - offset) {
        return dw_answer(DW_BAD_LENGTH, 0);
    }
    return dw_answer(write_bytes((dw_offset_t)(spare_of(upload_kind) + offset), bytes, count) ? DW_OK : DW_STORE_FAILED, 0);
}

/* Puts what is in the spare slot in force if it is good: the number, then the mark, then the other slot superseded.
 * Power may go at any byte: until the mark is whole the old record counts, from then on the new one. */
static dw_answer_t seal(dw_record_t *record)
{
    dw_record_t *old = &in_force[record->kind];
    dw_offset_t old_base = old->base;
    dw_answer_t answer = check(record);
    uint16_t sequence = mark_of(old_base) == COMMITTED ? sequence_of(old_base) : 0u;

    if (answer.reason == DW_OK) {
        answer.reason = DW_STORE_FAILED;
        if (write16((dw_offset_t)(record->base - 2u), (uint16_t)(sequence + 1u)) && set_mark(record->base, COMMITTED)) {
            *old = *record;
            if (set_mark(old_base, SUPERSEDED)) {
                answer.reason = DW_OK;
            }
        }
    }
    if (answer.reason != DW_OK && record->kind == DW_RECIPES) {
        dw_port_alive(); /* two checks of large records last as long as a watchdog waits */
        judge(old);      /* for those that were checked last are read */
    }
    return answer;
}

dw_answer_t dw_store_commit(uint32_t crc)
{
    dw_offset_t length = upload_length;
    dw_record_t record;

    upload_length = 0;
    dw_store_spare(upload_kind, &record);
    if (length == 0 || dw_record32(&record, 4) != length ||
        dw_record32(&record, (dw_offset_t)(length - DW_RECORD_TAIL)) != crc) {
        return dw_answer(DW_BAD_RECORD, 0);
    }
    return seal(&record);
}

/* Only what was in force before: an upload that was not finished is marked open. */
dw_answer_t dw_store_back(uint8_t kind)
{
    dw_record_t record;

    if (kind < DW_KINDS) {
        dw_store_spare(kind, &record);
        if (mark_of(record.base) == SUPERSEDED) {
            return seal(&record);
        }
    }
    return dw_answer(DW_BAD_RECORD, 0);
}

/* Refuses where it has one, or where the calibration in force is of another unit: they would contradict each other. */
dw_answer_t dw_store_name(const uint8_t *name)
{
    const dw_record_t *calibration = &in_force[DW_CALIBRATION];
    dw_record_t unit;

    dw_store_unit(&unit);
    if (unit.source != DW_FROM_NOWHERE) {
        return dw_answer(DW_WRONG_UNIT, 0);
    }
    if (!write_byte(UNIT_AT, UNNAMED) || !write_bytes(unit.base, name, DW_UNIT_NAME + DW_RECORD_TAIL)) {
        return dw_answer(DW_STORE_FAILED, 0);
    }
    if (name[0] == 0 || !find_unit(&unit)) {
        return dw_answer(DW_BAD_RECORD, 0);
    }
    if (calibration->source != DW_FROM_NOWHERE && dw_calibration_check(calibration, &unit).reason == DW_WRONG_UNIT) {
        return dw_answer(DW_WRONG_UNIT, 0);
    }
    return dw_answer(write_byte(UNIT_AT, NAMED) ? DW_OK : DW_STORE_FAILED, 0);
}
