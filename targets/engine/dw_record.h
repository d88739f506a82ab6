/* A record of TABLE.md wherever its bytes lie, and the checks that both kinds share. */
#ifndef DW_RECORD_H
#define DW_RECORD_H

#include "dw_port.h"

#define DW_RECORD_HEAD 16u
#define DW_RECORD_TAIL 4u
/* Format version of each kind. An engine reads its own and refuses older and newer ones. */
#define DW_RECIPES_FORMAT 3u
#define DW_CALIBRATION_FORMAT 1u

/* Kinds, as indices; their letters are in the record. */
#define DW_RECIPES 0u
#define DW_CALIBRATION 1u
#define DW_KINDS 2u

#define DW_FROM_NOWHERE 0u
#define DW_FROM_FIRMWARE 1u
#define DW_FROM_STORE 2u

typedef struct {
    uint8_t source;
    uint8_t kind;
    dw_offset_t base; /* address of its first byte in the store; 0 in the firmware */
    dw_offset_t length;
} dw_record_t;

/* The place of a byte of a record, to read on from with dw_next. */
dw_place_t dw_record_at(const dw_record_t *record, dw_offset_t offset);

/* Numbers at a place. */
uint16_t dw_read16(dw_place_t at);
uint32_t dw_read32(dw_place_t at);

/* Numbers at an offset from the record's first byte, which the caller keeps within its length. */
uint8_t dw_record8(const dw_record_t *record, dw_offset_t offset);
uint32_t dw_record32(const dw_record_t *record, dw_offset_t offset);

/* The kind of a letter; DW_KINDS when there is none. */
uint8_t dw_kind_of(uint8_t letter);

/* What CRC-32 gives over bytes and their own CRC, lowest byte first. */
#define DW_CRC_OF_GOOD UINT32_C(0x2144DF1C)

/* CRC-32 over a range of it. */
uint32_t dw_record_crc(const dw_record_t *record, dw_offset_t offset, dw_offset_t length);

/* The record of this kind that the firmware brings along. */
void dw_record_built_in(uint8_t kind, dw_record_t *record);

/* Check head, length, CRC and interface; `space` is how many bytes there are for it. Sets record->length. */
DW_CHECKED uint8_t dw_record_check(dw_record_t *record, dw_offset_t space);

#endif
