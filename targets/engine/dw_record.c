#include "dw_record.h"

#include "dw_crc.h"
#include "dw_engine.h"
#include "machine.h"
#include "table.h"

#ifdef DW_OWN_PLACES
#define IN_FIRMWARE(kind, offset) dw_in_rom(&((kind) == DW_RECIPES ? dw_default_recipes : dw_default_calibration)[offset])
#define IN_STORE(address) dw_in_store(address)
#else
/* The two highest bits tell the memory: the store, or either table that the firmware brings along. */
#define MEMORY(bits) ((dw_place_t)((dw_place_t)(bits) << (8u * sizeof(dw_place_t) - 2u)))
#define IN_FIRMWARE(kind, offset) ((dw_place_t)(MEMORY(kind) | (offset)))
#define IN_STORE(address) ((dw_place_t)(MEMORY(2u) | (address)))

uint8_t dw_next(dw_place_t *at)
{
    dw_offset_t offset = (dw_offset_t)(*at & ~MEMORY(3u));
    dw_place_t memory = *at & MEMORY(3u);

    (*at)++;
    if (memory == MEMORY(2u)) {
        return dw_port_store_read(offset);
    }
    return dw_rom8(&(memory == MEMORY(DW_RECIPES) ? dw_default_recipes : dw_default_calibration)[offset]);
}
#endif

dw_place_t dw_record_at(const dw_record_t *record, dw_offset_t offset)
{
    if (record->source == DW_FROM_STORE) {
        return IN_STORE((dw_offset_t)(record->base + offset));
    }
    return IN_FIRMWARE(record->kind, offset);
}

uint8_t dw_record8(const dw_record_t *record, dw_offset_t offset)
{
    dw_place_t at = dw_record_at(record, offset);

    return dw_next(&at);
}

uint16_t dw_read16(dw_place_t at)
{
    uint8_t low = dw_next(&at);

    return (uint16_t)((uint16_t)dw_next(&at) << 8 | low);
}

uint32_t dw_read32(dw_place_t at)
{
    uint16_t low = dw_read16(at);

    return (uint32_t)dw_read16(at + 2u) << 16 | low;
}

uint32_t dw_record32(const dw_record_t *record, dw_offset_t offset)
{
    return dw_read32(dw_record_at(record, offset));
}

uint8_t dw_kind_of(uint8_t letter)
{
    return letter == 'R' ? DW_RECIPES : letter == 'C' ? DW_CALIBRATION : DW_KINDS;
}

uint32_t dw_record_crc(const dw_record_t *record, dw_offset_t offset, dw_offset_t length)
{
    dw_place_t at = dw_record_at(record, offset);
    uint32_t crc = DW_CRC32_START;

    while (length != 0) {
        crc = dw_crc32(crc, dw_next(&at));
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
