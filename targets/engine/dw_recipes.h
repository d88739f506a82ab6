/* The recipes record. Nothing outside dw_recipes.c knows how a recipe lies in its bytes. */
#ifndef DW_RECIPES_H
#define DW_RECIPES_H

#include "dw_record.h"

/* One step of a recipe. */
typedef struct {
    uint8_t output;
    bool after_all;
    uint32_t amount; /* of a dose its weight, of a stage its ticks */
} dw_line_t;

/* Where in a recipe the next line is. Copy it to read the recipe more than once. */
typedef struct {
    dw_offset_t at;
    uint8_t lines_left;
} dw_cursor_t;

/* Check the body of a record whose head and CRC are good. Everything below relies on it. */
DW_CHECKED uint8_t dw_recipes_check(const dw_record_t *record);

/* Serving by index, in quanta; false when there is none. */
DW_CHECKED bool dw_recipes_serving(const dw_record_t *record, uint8_t index, uint32_t *quanta);

/* Set the cursor to the first line of the recipe of this number; false when there is none. */
DW_CHECKED bool dw_recipes_find(const dw_record_t *record, uint16_t number, dw_cursor_t *cursor);

/* The next line; false after the last. */
DW_CHECKED bool dw_recipes_next(const dw_record_t *record, dw_cursor_t *cursor, dw_line_t *line);

#endif
