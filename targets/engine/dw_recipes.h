/* The recipes record. Nothing outside dw_recipes.c knows how a recipe lies in its bytes.
 *
 * One record is open at a time, and one recipe of it: where its parts are is worked out once, not at each read.
 */
#ifndef DW_RECIPES_H
#define DW_RECIPES_H

#include "dw_record.h"

/* One step of a recipe. */
typedef struct {
    uint8_t output;
    bool after_all;
    uint32_t amount; /* of a dose its weight, of a stage its ticks */
} dw_line_t;

/* Check the body of a record whose head and CRC are good, completely. A record is changed by nothing but an upload,
 * which ends with this. */
DW_CHECKED uint8_t dw_recipes_check(const dw_record_t *record);

/* Serving by index, in quanta; false when there is none. */
DW_CHECKED bool dw_recipes_serving(const dw_record_t *record, uint8_t index, uint32_t *quanta);

/* Go to the first line of the recipe of this number; false when there is none. */
DW_CHECKED bool dw_recipes_find(const dw_record_t *record, uint16_t number);

/* The next line of that recipe; false after the last, and at bytes that break a rule. Whatever the bytes are, nothing
 * outside the record is read, and the output and the amount of a line are ones that there can be. */
DW_CHECKED bool dw_recipes_next(dw_line_t *line);

/* Whether all lines were read, none of them broken. */
DW_CHECKED bool dw_recipes_ended(void);

/* Back to the first line of that recipe. */
void dw_recipes_again(void);

#endif
