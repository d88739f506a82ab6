/* The records in force, and how new ones take their place. The layout and the marks are in TABLE.md. */
#ifndef DW_STORE_H
#define DW_STORE_H

#include "dw_engine.h"
#include "dw_record.h"

/* Find the records in force after a reset, and finish what a power cut left unfinished. */
void dw_store_start(void);

/* The record of a kind that is in force; its source is DW_FROM_NOWHERE when there is none. */
const dw_record_t *dw_store_record(uint8_t kind);

/* An upload: begin, chunks in any order, commit. Anything but DW_OK from commit ends it; the old record stays. */
DW_CHECKED dw_answer_t dw_store_begin(uint8_t kind, uint32_t length);
DW_CHECKED dw_answer_t dw_store_chunk(uint32_t offset, const uint8_t *bytes, uint8_t count);
DW_CHECKED dw_answer_t dw_store_commit(uint32_t crc);

#endif
