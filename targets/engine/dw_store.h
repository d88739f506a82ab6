/* The records in force, and how new ones take their place. The layout and the marks are in TABLE.md. */
#ifndef DW_STORE_H
#define DW_STORE_H

#include "dw_engine.h"
#include "dw_record.h"

/* Find the records in force after a reset, and finish what a power cut left unfinished. */
void dw_store_start(void);

/* The record of a kind that is in force; its source is DW_FROM_NOWHERE when there is none. */
const dw_record_t *dw_store_record(uint8_t kind);

/* What changes the store is only called while dw_is_idle().
 *
 * An upload: begin, chunks in any order, commit. Anything but DW_OK from commit ends it; the old record stays, if
 * it is good still. */
DW_CHECKED dw_answer_t dw_store_begin(uint8_t kind, dw_offset_t length);
DW_CHECKED dw_answer_t dw_store_chunk(dw_offset_t offset, const uint8_t *bytes, uint8_t count);
DW_CHECKED dw_answer_t dw_store_commit(uint32_t crc);

/* Put the record in force that the last upload superseded, and supersede that one. */
DW_CHECKED dw_answer_t dw_store_back(uint8_t kind);

/* The slot that the next upload goes to, or the present one: whatever is in it, over the whole space of the slot. */
void dw_store_spare(uint8_t kind, dw_record_t *record);

/* The mark of a slot, for those who want to know how it stands. */
uint16_t dw_store_mark(uint8_t kind, uint8_t slot);

/* The name of this unit as a record that is nothing but the name; its source is DW_FROM_NOWHERE when it has none. */
void dw_store_unit(dw_record_t *unit);

/* Name this unit, once and for all: DW_UNIT_NAME bytes and their CRC-32. */
DW_CHECKED dw_answer_t dw_store_name(const uint8_t *name);

#endif
