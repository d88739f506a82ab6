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

uint16_t dw_record16(const dw_record_t *record, dw_offset_t offset)
{
    return (uint16_t)(dw_record8(record, offset) |
                      (uint16_t)((uint16_t)dw_record8(record, (dw_offset_t)(offset + 1u)) << 8));
}

uint32_t dw_record32(const dw_record_t *record, dw_offset_t offset)
{
    uint32_t number = 0;
    uint8_t bytes;

    offset = (dw_offset_t)(offset + 4u);
    for (bytes = 4; bytes != 0; bytes--) {
        offset--;
        number = number << 8 | dw_record8(record, offset);
    }
    return number;
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

/* The first four bytes of a record, as a number. */
#define MAGIC(letter, format) ((uint32_t)(format) << 24 | (uint32_t)(letter) << 16 | (uint32_t)'W' << 8 | 'D')

/* The interface comes last, so that damage is not mistaken for a table of another machine. */
uint8_t dw_record_check(dw_record_t *record, dw_offset_t space)
{
    uint32_t magic = record->kind == DW_RECIPES ? MAGIC('R', DW_RECIPES_FORMAT) : MAGIC('C', DW_CALIBRATION_FORMAT);
    uint32_t length;

    if (space < DW_RECORD_HEAD + DW_RECORD_TAIL) {
        return DW_BAD_RECORD;
    }
    length = dw_record32(record, 4);
    if (length < DW_RECORD_HEAD + DW_RECORD_TAIL || length > space || dw_record32(record, 0) != magic ||
        dw_record32(record, 12) != 0 || dw_record_crc(record, 0, (dw_offset_t)length) != DW_CRC_OF_GOOD) {
        return DW_BAD_RECORD;
    }
    record->length = (dw_offset_t)length;
    return dw_record32(record, 8) == DW_INTERFACE ? DW_OK : DW_WRONG_INTERFACE;
}
