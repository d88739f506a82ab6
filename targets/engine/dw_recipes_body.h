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

#define DW_NUMBER_BYTES ((dw_place_t)2) /* of the lists behind the recipes */
#define DW_SERVING_BYTES ((dw_place_t)4)
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

/* The place behind a long recipe or block, whose length is 256 times a number and the byte that is next. */
static inline dw_place_t dw_behind_long(dw_place_t at, uint8_t upper)
{
    uint8_t lower = dw_next(&at);

    return at + (uint16_t)((uint16_t)upper << 8 | lower);
}

/* The place behind a block, the place of its first recipe, and the place behind a recipe. */
static inline dw_place_t dw_behind_block(dw_place_t at)
{
    uint8_t head = dw_next(&at);

    return head < DW_WIDE ? at + head : dw_behind_long(at, head & 15u);
}

static inline dw_place_t dw_in_block(dw_place_t at)
{
    return dw_next(&at) < DW_WIDE ? at : at + 1u;
}

static inline dw_place_t dw_behind_recipe(dw_place_t at)
{
    uint8_t head = dw_next(&at);

    return head < DW_LONG ? dw_behind_long(at, head) : at + (head >> 4);
}

/* What the head of the recipes says that are read: those of the record that was opened last. */
typedef struct {
    dw_place_t dictionary;
    dw_place_t servings; /* behind all recipes and their numbers */
    uint16_t count;
    uint8_t entries;
    uint8_t grain;
    uint8_t listed;
    uint8_t serving_count;
} dw_recipes_t;

extern dw_recipes_t dw_recipes;

void dw_recipes_open(const dw_record_t *record);

/* Read the recipe at a place of the opened recipes: how many steps it has; 0 at bytes that break a rule. */
DW_CHECKED uint8_t dw_recipe_steps(dw_place_t at, dw_step_t *step);

/* The same of a long recipe: the first byte of its length, and the place of the second. */
DW_CHECKED uint8_t dw_long_recipe_steps(dw_place_t at, uint8_t upper, dw_step_t *step);

#endif
