/* Where what is in a recipes record. Private to its reader and its check. */
#ifndef DW_RECIPES_BODY_H
#define DW_RECIPES_BODY_H

#include "dw_record.h"
#include "dw_step.h"
#include "machine.h"

/* Offsets from the record's start. */
#define DW_SERVINGS_AT DW_RECORD_HEAD
#define DW_LISTED_AT (DW_RECORD_HEAD + 1u)
#define DW_COUNT_AT (DW_RECORD_HEAD + 2u)
#define DW_ENTRIES_AT (DW_RECORD_HEAD + 4u)
#define DW_GRAIN_AT (DW_RECORD_HEAD + 5u)
#define DW_UNIT_AT (DW_RECORD_HEAD + 6u)
#define DW_DICTIONARY_AT (DW_RECORD_HEAD + 8u)

#define DW_BLOCK 8u   /* recipes of a block */
#define DW_WIDE 0xF0u /* from here on the byte of a number is the first of two */
#define DW_LONG 16u   /* below, the head of a recipe is that of a long one */
#define DW_WEIGHT_MAX 4095u
#define DW_GRAIN_MAX 16u /* 255 * 16 is below DW_WEIGHT_MAX */

/* How a short step's byte is parted: 3 bits of output and 5 of code, or 4 and 4; 1: so many outputs that every recipe is
 * a long one. */
#define DW_CODES                                                                                                \
    (DW_CHANNELS <= 8u && DW_OUTPUTS - DW_CHANNELS <= 4u ? 32u :                                                \
     DW_CHANNELS <= 16u && DW_OUTPUTS - DW_CHANNELS <= 8u ? 16u : 1u)

/* Offsets behind the recipe that was read last, and behind its block as the block's length says. */
extern dw_offset_t dw_recipe_end;
extern dw_offset_t dw_block_end;

/* Read the recipe of this index, below the number of recipes; else as dw_recipes_read. */
DW_CHECKED uint8_t dw_recipes_read_at(const dw_record_t *record, uint16_t index, dw_step_t *steps);

#endif
