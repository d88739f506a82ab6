#include "dw_store.h"

#include "dw_calibration.h"
#include "dw_recipes.h"
#include "machine.h"

#define SLOTS 2u
#define SLOT_HEAD 4u /* two bytes of mark, u16 sequence number */
#define CALIBRATION_BYTES (DW_RECORD_HEAD + DW_UNIT_NAME + 1u + 9u * DW_CHANNELS + DW_RECORD_TAIL)
#define CALIBRATION_SLOT (SLOT_HEAD + CALIBRATION_BYTES)
#define CALIBRATION_AT 1u /* address 0 is what a cut supply damages first */
#define RECIPES_AT (CALIBRATION_AT + SLOTS * CALIBRATION_SLOT)
#define RECIPES_SLOT ((DW_STORE_SIZE - RECIPES_AT) / SLOTS)

/* No two marks share a byte, and none has a byte of an erased or a zeroed cell. */
#define OPEN_1 0x35u
#define OPEN_2 0x5Cu
#define COMMITTED_1 0xA6u
#define COMMITTED_2 0xC9u
#define SUPERSEDED_1 0x53u
#define SUPERSEDED_2 0x9Au
#define ERASED 0xFFu

static dw_record_t in_force[DW_KINDS];
static uint8_t slot_in_force[DW_KINDS]; /* SLOTS: the record is not in a slot */
static dw_record_t upload;              /* from nowhere: none is going on */
static uint8_t upload_slot;

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

static bool has_mark(uint8_t kind, uint8_t slot, uint8_t first, uint8_t second)
{
    dw_offset_t at = slot_at(kind, slot);

    return dw_port_store_read(at) == first && dw_port_store_read((dw_offset_t)(at + 1u)) == second;
}

static bool is_committed(uint8_t kind, uint8_t slot)
{
    return has_mark(kind, slot, COMMITTED_1, COMMITTED_2);
}

static uint16_t sequence_of(uint8_t kind, uint8_t slot)
{
    dw_offset_t at = slot_at(kind, slot);

    return (uint16_t)(dw_port_store_read((dw_offset_t)(at + 2u)) |
                      (uint16_t)((uint16_t)dw_port_store_read((dw_offset_t)(at + 3u)) << 8));
}

/* Leaves alone what is right already, for each write wears the cell; reads back what it wrote. */
static bool write_byte(dw_offset_t at, uint8_t value)
{
    if (dw_port_store_read(at) == value) {
        return true;
    }
    return dw_port_store_write(at, value) && dw_port_store_read(at) == value;
}

/* Writes first the byte which, torn to anything at all, cannot complete the mark of a committed slot. */
static bool set_mark(uint8_t kind, uint8_t slot, uint8_t first, uint8_t second)
{
    dw_offset_t at = slot_at(kind, slot);

    if (first != COMMITTED_1 && dw_port_store_read((dw_offset_t)(at + 1u)) == COMMITTED_2) {
        return write_byte((dw_offset_t)(at + 1u), second) && write_byte(at, first);
    }
    return write_byte(at, first) && write_byte((dw_offset_t)(at + 1u), second);
}

/* Checks a record once; readers rely on it from then on. `argument` is that of the reason. */
static uint8_t check(dw_record_t *record, dw_offset_t space, uint8_t *argument)
{
    uint8_t reason = dw_record_check(record, space);

    if (reason != DW_OK) {
        return reason;
    }
    if (record->kind == DW_RECIPES) {
        return dw_recipes_check(record);
    }
    {
        /* what was built into a firmware may be on many units: only a stored name binds */
        const dw_record_t *unit = &in_force[DW_CALIBRATION];
        dw_record_t any = { DW_FROM_NOWHERE, DW_CALIBRATION, 0, 0 };

        return dw_calibration_check(record, unit->source == DW_FROM_STORE ? unit : &any, argument);
    }
}

static void slot_record(uint8_t kind, uint8_t slot, dw_record_t *record)
{
    record->source = DW_FROM_STORE;
    record->kind = kind;
    record->base = (dw_offset_t)(slot_at(kind, slot) + SLOT_HEAD);
    record->length = slot_space(kind);
}

/* Puts a record in force if it is good; otherwise there is none, and nothing is poured. */
static void put_in_force(uint8_t kind, dw_record_t *record, dw_offset_t space)
{
    uint8_t argument = 0;

    if (check(record, space, &argument) != DW_OK) {
        record->source = DW_FROM_NOWHERE;
    }
    in_force[kind] = *record;
}

/* The later of two numbers that may have wrapped. */
static bool is_later(uint16_t a, uint16_t b)
{
    return (uint16_t)(a - b) - 1u < 0x7FFFu;
}

/* The committed slot to go by, SLOTS if there is none. */
static uint8_t newest_committed(uint8_t kind)
{
    if (!is_committed(kind, 0)) {
        return (uint8_t)(is_committed(kind, 1) ? 1u : SLOTS);
    }
    if (!is_committed(kind, 1)) {
        return 0;
    }
    return is_later(sequence_of(kind, 1), sequence_of(kind, 0)) ? 1u : 0u;
}

static void start_kind(uint8_t kind)
{
    uint8_t slot = newest_committed(kind);
    dw_record_t record;

    in_force[kind].source = DW_FROM_NOWHERE;
    slot_in_force[kind] = slot;
    if (slot != SLOTS) {
        slot_record(kind, slot, &record);
        put_in_force(kind, &record, record.length);
        /* the last step of an upload that a power cut kept from being done; if it fails now, it is done at the next start */
        (void)set_mark(kind, (uint8_t)(1u - slot), SUPERSEDED_1, SUPERSEDED_2);
    } else if (has_mark(kind, 1, ERASED, ERASED)) {
        /* no upload was ever finished: the first goes to slot 0, and then marks slot 1 */
        dw_record_built_in(kind, &record);
        put_in_force(kind, &record, record.length);
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

/* Never the slot that is marked committed, even if what is in it has rotted: it keeps the number to go on from. */
dw_answer_t dw_store_begin(uint8_t kind, uint32_t length)
{
    if (!dw_is_idle()) {
        return dw_answer(DW_BUSY, 0);
    }
    upload.source = DW_FROM_NOWHERE;
    if (kind >= DW_KINDS) {
        return dw_answer(DW_BAD_RECORD, 0);
    }
    if (length < DW_RECORD_HEAD + DW_RECORD_TAIL || length > slot_space(kind)) {
        return dw_answer(DW_BAD_LENGTH, 0);
    }
    upload_slot = slot_in_force[kind] == 0 ? 1u : 0u;
    if (!set_mark(kind, upload_slot, OPEN_1, OPEN_2)) {
        return dw_answer(DW_STORE_FAILED, 0);
    }
    slot_record(kind, upload_slot, &upload);
    upload.length = (dw_offset_t)length;
    return dw_answer(DW_OK, 0);
}

dw_answer_t dw_store_chunk(uint32_t offset, const uint8_t *bytes, uint8_t count)
{
    uint8_t i;

    if (!dw_is_idle()) {
        return dw_answer(DW_BUSY, 0);
    }
    if (upload.source == DW_FROM_NOWHERE) {
        return dw_answer(DW_BAD_RECORD, 0);
    }
    if (offset > upload.length || count > upload.length - offset) {
        return dw_answer(DW_BAD_LENGTH, 0);
    }
    for (i = 0; i < count; i++) {
        if (!write_byte((dw_offset_t)(upload.base + offset + i), bytes[i])) {
            return dw_answer(DW_STORE_FAILED, 0);
        }
    }
    return dw_answer(DW_OK, 0);
}

/* Writes the number, then the mark, then supersedes the other slot. */
static bool seal(uint8_t kind, uint8_t slot)
{
    dw_offset_t at = slot_at(kind, slot);
    uint8_t old = slot_in_force[kind];
    uint16_t sequence = old == SLOTS ? 1u : (uint16_t)(sequence_of(kind, old) + 1u);

    return write_byte((dw_offset_t)(at + 2u), (uint8_t)(sequence & 0xFFu)) &&
           write_byte((dw_offset_t)(at + 3u), (uint8_t)(sequence >> 8)) &&
           set_mark(kind, slot, COMMITTED_1, COMMITTED_2);
}

dw_answer_t dw_store_commit(uint32_t crc)
{
    dw_record_t record = upload;
    uint8_t argument = 0;
    uint8_t reason;

    if (!dw_is_idle()) {
        return dw_answer(DW_BUSY, 0);
    }
    upload.source = DW_FROM_NOWHERE;
    if (record.source == DW_FROM_NOWHERE ||
        dw_record32(&record, (dw_offset_t)(record.length - DW_RECORD_TAIL)) != crc) {
        return dw_answer(DW_BAD_RECORD, 0);
    }
    reason = check(&record, record.length, &argument);
    if (reason == DW_OK && record.length != upload.length) {
        reason = DW_BAD_RECORD;
    }
    if (reason != DW_OK) {
        return dw_answer(reason, argument);
    }
    if (!seal(record.kind, upload_slot)) {
        return dw_answer(DW_STORE_FAILED, 0);
    }
    in_force[record.kind] = record;
    slot_in_force[record.kind] = upload_slot;
    if (!set_mark(record.kind, (uint8_t)(1u - upload_slot), SUPERSEDED_1, SUPERSEDED_2)) {
        return dw_answer(DW_STORE_FAILED, 0);
    }
    return dw_answer(DW_OK, 0);
}
