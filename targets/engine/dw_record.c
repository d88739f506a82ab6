#include "dw_record.h"

#include "dw_crc.h"
#include "dw_engine.h"
#include "machine.h"
#include "table.h"

const uint8_t *dw_record_rom(uint8_t kind)
{
    return kind == DW_RECIPES ? dw_default_recipes : dw_default_calibration;
}

/* The store is read a byte at a time, as an EEPROM is. */
uint8_t dw_record8(const dw_record_t *record, dw_offset_t offset)
{
    if (record->source == DW_FROM_STORE) {
        return dw_port_store_read((dw_offset_t)(record->base + offset));
    }
    return dw_rom8(&dw_record_rom(record->kind)[offset]);
}

/* Asks only once where the bytes lie. */
void dw_record_copy(const dw_record_t *record, dw_offset_t offset, uint8_t *bytes, uint8_t count)
{
    uint8_t *end = bytes + count;

    if (record->source == DW_FROM_STORE) {
        for (offset = (dw_offset_t)(offset + record->base); bytes != end; bytes++) {
            *bytes = dw_port_store_read(offset);
            offset++;
        }
    } else {
        const uint8_t *from;

        for (from = dw_record_rom(record->kind) + offset; bytes != end; bytes++) {
            *bytes = dw_rom8(from);
            from++;
        }
    }
}

uint16_t dw_record16(const dw_record_t *record, dw_offset_t offset)
{
    return (uint16_t)(dw_record8(record, offset) |
                      (uint16_t)((uint16_t)dw_record8(record, (dw_offset_t)(offset + 1u)) << 8));
}

uint32_t dw_record32(const dw_record_t *record, dw_offset_t offset)
{
    return dw_record16(record, offset) | (uint32_t)dw_record16(record, (dw_offset_t)(offset + 2u)) << 16;
}

uint8_t dw_kind_letter(uint8_t kind)
{
    return kind == DW_RECIPES ? 'R' : 'C';
}

uint8_t dw_kind_of(uint8_t letter)
{
    return letter == 'R' ? DW_RECIPES : letter == 'C' ? DW_CALIBRATION : DW_KINDS;
}

uint32_t dw_record_crc(const dw_record_t *record, dw_offset_t offset, dw_offset_t length)
{
    uint32_t crc = DW_CRC32_START;

    while (length != 0) {
        crc = dw_crc32(crc, dw_record8(record, offset));
        offset++;
        length--;
    }
    return ~crc;
}

/* Its length is found by dw_record_check, like that of a stored one. */
void dw_record_built_in(uint8_t kind, dw_record_t *record)
{
    record->source = DW_FROM_FIRMWARE;
    record->kind = kind;
    record->base = 0;
    record->length = sizeof dw_default_calibration;
    if (kind == DW_RECIPES) {
        record->length = sizeof dw_default_recipes;
    }
}

/* The interface comes last, so that damage is not mistaken for a table of another machine. */
uint8_t dw_record_check(dw_record_t *record, dw_offset_t space)
{
    uint8_t format = record->kind == DW_RECIPES ? DW_RECIPES_FORMAT : DW_CALIBRATION_FORMAT;
    uint32_t length;

    if (space < DW_RECORD_HEAD + DW_RECORD_TAIL) {
        return DW_BAD_RECORD;
    }
    length = dw_record32(record, 4);
    if (dw_record8(record, 0) != 'D' || dw_record8(record, 1) != 'W' ||
        dw_record8(record, 2) != dw_kind_letter(record->kind) || dw_record8(record, 3) != format ||
        length < DW_RECORD_HEAD + DW_RECORD_TAIL || length > space || dw_record32(record, 12) != 0) {
        return DW_BAD_RECORD;
    }
    record->length = (dw_offset_t)length;
    if (dw_record_crc(record, 0, (dw_offset_t)(length - DW_RECORD_TAIL)) !=
        dw_record32(record, (dw_offset_t)(length - DW_RECORD_TAIL))) {
        return DW_BAD_RECORD;
    }
    return dw_record32(record, 8) == DW_INTERFACE ? DW_OK : DW_WRONG_INTERFACE;
}
