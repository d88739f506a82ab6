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

static dw_record_t in_force[DW_KINDS];
static uint8_t slot_in_force[DW_KINDS]; /* SLOTS: the record is not in a slot */
static dw_record_t upload;              /* from nowhere: none is going on */

static dw_offset_t slot_at(uint8_t kind, uint8_t slot)
{
    return kind == DW_RECIPES ? (dw_offset_t)(RECIPES_AT + (dw_offset_t)slot * RECIPES_SLOT)
                              : (dw_offset_t)(CALIBRATION_AT + (dw_offset_t)slot * CALIBRATION_SLOT);
}

/* Bytes a slot has for a record. */
static dw_offset_t slot_space(uint8_t kind)
{
    return (dw_offset_t)((kind == DW_RECIPES ? RECIPES_SLOT : CALIBRATION_SLOT) - SLOT_HEAD);
}

/* Never the slot that is marked committed, even if what is in it has rotted: it keeps the number to go on from. */
static uint8_t spare_slot(uint8_t kind)
{
    return slot_in_force[kind] == 0 ? 1u : 0u;
}

static uint16_t read16(dw_offset_t at)
{
    return (uint16_t)(dw_port_store_read(at) |
                      (uint16_t)((uint16_t)dw_port_store_read((dw_offset_t)(at + 1u)) << 8));
}

uint16_t dw_store_mark(uint8_t kind, uint8_t slot)
{
    return read16(slot_at(kind, slot));
}

static uint16_t sequence_of(uint8_t kind, uint8_t slot)
{
    return read16((dw_offset_t)(slot_at(kind, slot) + 2u));
}

/* Leaves alone what is right already, for each write wears the cell; reads back what it wrote. */
static bool write_byte(dw_offset_t at, uint8_t value)
{
    if (dw_port_store_read(at) == value) {
        return true;
    }
    return dw_port_store_write(at, value) && dw_port_store_read(at) == value;
}

/* The low byte is at the lower address. */
static bool write16(dw_offset_t at, uint16_t value, bool upper_first)
{
    dw_offset_t upper_at = (dw_offset_t)(at + 1u);
    uint8_t upper = (uint8_t)(value >> 8);

    if (upper_first && !write_byte(upper_at, upper)) {
        return false;
    }
    return write_byte(at, (uint8_t)(value & 0xFFu)) && write_byte(upper_at, upper);
}

/* Writes first the byte which, torn to anything at all, cannot complete the mark of a committed slot. */
static bool set_mark(uint8_t kind, uint8_t slot, uint16_t mark)
{
    return write16(slot_at(kind, slot), mark,
                   mark != COMMITTED && dw_store_mark(kind, slot) >> 8 == COMMITTED >> 8);
}

static bool write_bytes(dw_offset_t at, const uint8_t *bytes, uint8_t count)
{
    while (count != 0) {
        if (!write_byte(at, *bytes)) {
            return false;
        }
        at++;
        bytes++;
        count--;
    }
    return true;
}

/* True when the CRC behind the unit's name is that of the name. */
static bool is_whole(const dw_record_t *unit)
{
    return dw_record_crc(unit, 0, DW_UNIT_NAME) == dw_record32(unit, DW_UNIT_NAME);
}

/* Where the unit's name is; false when it has none. */
static bool find_unit(dw_record_t *unit)
{
    unit->source = DW_FROM_STORE;
    unit->kind = DW_CALIBRATION;
    unit->base = UNIT_AT + 1u;
    unit->length = DW_UNIT_NAME;
    return dw_port_store_read(UNIT_AT) == NAMED && is_whole(unit);
}

void dw_store_unit(dw_record_t *unit)
{
    if (!find_unit(unit)) {
        unit->source = DW_FROM_NOWHERE;
    }
}

/* Checks a record once; readers rely on it from then on. `argument` is that of the reason. */
static uint8_t check(dw_record_t *record, uint8_t *argument)
{
    uint8_t reason = dw_record_check(record, record->length);
    dw_record_t unit;

    if (reason != DW_OK) {
        return reason;
    }
    if (record->kind == DW_RECIPES) {
        return dw_recipes_check(record, dw_state.steps);
    }
    dw_store_unit(&unit);
    return dw_calibration_check(record, &unit, argument);
}

static void slot_record(uint8_t kind, uint8_t slot, dw_record_t *record)
{
    record->source = DW_FROM_STORE;
    record->kind = kind;
    record->base = (dw_offset_t)(slot_at(kind, slot) + SLOT_HEAD);
    record->length = slot_space(kind);
}

/* The later of two numbers that may have wrapped. */
static bool is_later(uint16_t a, uint16_t b)
{
    return (uint16_t)(a - b) - 1u < 0x7FFFu;
}

/* The committed slot to go by, SLOTS if there is none. */
static uint8_t newest_committed(uint8_t kind)
{
    bool first = dw_store_mark(kind, 0) == COMMITTED;

    if (dw_store_mark(kind, 1) == COMMITTED && !(first && is_later(sequence_of(kind, 0), sequence_of(kind, 1)))) {
        return 1;
    }
    return first ? 0u : SLOTS;
}

/* What is in force is good, or it is from nowhere and nothing is poured. */
static void start_kind(uint8_t kind)
{
    dw_record_t *record = &in_force[kind];
    uint8_t slot = newest_committed(kind);
    uint8_t argument = 0;

    slot_in_force[kind] = slot;
    if (slot != SLOTS) {
        slot_record(kind, slot, record);
        /* the last step of an upload that a power cut kept from being done; if it fails now, it is done at the next start */
        if (dw_store_mark(kind, spare_slot(kind)) != OPEN) {
            (void)set_mark(kind, spare_slot(kind), SUPERSEDED);
        }
    } else {
        dw_record_built_in(kind, record);
    }
    /* without a committed slot: the first upload goes to slot 0, and then marks slot 1 */
    if ((slot == SLOTS && dw_store_mark(kind, 1) != ERASED) || check(record, &argument) != DW_OK) {
        record->source = DW_FROM_NOWHERE;
    }
}

void dw_store_start(void)
{
    uint8_t kind;

    upload.source = DW_FROM_NOWHERE;
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
    slot_record(kind, spare_slot(kind), record);
}

dw_answer_t dw_store_begin(uint8_t kind, uint32_t length)
{
    upload.source = DW_FROM_NOWHERE;
    if (kind >= DW_KINDS) {
        return dw_answer(DW_BAD_RECORD, 0);
    }
    if (length < DW_RECORD_HEAD + DW_RECORD_TAIL || length > slot_space(kind)) {
        return dw_answer(DW_BAD_LENGTH, 0);
    }
    if (!set_mark(kind, spare_slot(kind), OPEN)) {
        return dw_answer(DW_STORE_FAILED, 0);
    }
    dw_store_spare(kind, &upload);
    upload.length = (dw_offset_t)length;
    return dw_answer(DW_OK, 0);
}

dw_answer_t dw_store_chunk(uint32_t offset, const uint8_t *bytes, uint8_t count)
{
    if (upload.source == DW_FROM_NOWHERE) {
        return dw_answer(DW_BAD_RECORD, 0);
    }
    if (offset > upload.length || count > upload.length - offset) {
        return dw_answer(DW_BAD_LENGTH, 0);
    }
    return dw_answer(
        write_bytes((dw_offset_t)(upload.base + offset), bytes, count) ? DW_OK : DW_STORE_FAILED, 0);
}

/* Puts what is in the spare slot in force if it is good: the number, then the mark, then the other slot superseded.
 * Power may go at any byte: until the mark is whole the old record counts, from then on the new one. */
static dw_answer_t seal(dw_record_t *record)
{
    uint8_t kind = record->kind;
    uint8_t slot = spare_slot(kind);
    uint8_t old = slot_in_force[kind];
    uint16_t sequence = old == SLOTS ? 1u : (uint16_t)(sequence_of(kind, old) + 1u);
    uint8_t argument = 0;
    uint8_t reason = check(record, &argument);

    if (reason != DW_OK) {
        return dw_answer(reason, argument);
    }
    if (!write16((dw_offset_t)(slot_at(kind, slot) + 2u), sequence, false) || !set_mark(kind, slot, COMMITTED)) {
        return dw_answer(DW_STORE_FAILED, 0);
    }
    in_force[kind] = *record;
    slot_in_force[kind] = slot;
    return dw_answer(set_mark(kind, (uint8_t)(1u - slot), SUPERSEDED) ? DW_OK : DW_STORE_FAILED, 0);
}

dw_answer_t dw_store_commit(uint32_t crc)
{
    dw_record_t record = upload;

    upload.source = DW_FROM_NOWHERE;
    if (record.source == DW_FROM_NOWHERE || dw_record32(&record, 4) != record.length ||
        dw_record32(&record, (dw_offset_t)(record.length - DW_RECORD_TAIL)) != crc) {
        return dw_answer(DW_BAD_RECORD, 0);
    }
    return seal(&record);
}

/* Only what was in force before: an upload that was not finished is marked open. */
dw_answer_t dw_store_back(uint8_t kind)
{
    dw_record_t record;

    if (kind >= DW_KINDS || dw_store_mark(kind, spare_slot(kind)) != SUPERSEDED) {
        return dw_answer(DW_BAD_RECORD, 0);
    }
    dw_store_spare(kind, &record);
    return seal(&record);
}

/* Refuses where it has one, or where the calibration in force is of another unit: they would contradict each other. */
dw_answer_t dw_store_name(const uint8_t *name)
{
    const dw_record_t *calibration = &in_force[DW_CALIBRATION];
    dw_record_t unit;
    uint8_t channel;

    if (find_unit(&unit)) {
        return dw_answer(DW_WRONG_UNIT, 0);
    }
    if (!write_byte(UNIT_AT, UNNAMED) || !write_bytes(unit.base, name, DW_UNIT_NAME + DW_RECORD_TAIL)) {
        return dw_answer(DW_STORE_FAILED, 0);
    }
    if (name[0] == 0 || !is_whole(&unit)) {
        return dw_answer(DW_BAD_RECORD, 0);
    }
    if (calibration->source != DW_FROM_NOWHERE &&
        dw_calibration_check(calibration, &unit, &channel) == DW_WRONG_UNIT) {
        return dw_answer(DW_WRONG_UNIT, 0);
    }
    return dw_answer(write_byte(UNIT_AT, NAMED) ? DW_OK : DW_STORE_FAILED, 0);
}
