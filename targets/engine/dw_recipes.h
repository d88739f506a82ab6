/* The recipes record. Nothing outside dw_recipes.c and dw_recipes_check.c knows how a recipe lies in its bytes. */
#ifndef DW_RECIPES_H
#define DW_RECIPES_H

#include "dw_record.h"
#include "dw_step.h"

/* Instead of a count of steps. */
#define DW_NO_RECIPE 0xFFu

/* Check the body of a record whose head and CRC are good, completely, a recipe at a time in `steps`, of which there are
 * DW_STEPS_MAX. A record is changed by nothing but an upload, which ends with this. */
DW_CHECKED uint8_t dw_recipes_check(const dw_record_t *record, dw_step_t *steps);

/* Read the recipe of this number: how many steps it has. DW_NO_RECIPE when there is none, 0 at bytes that break a rule.
 * Whatever the bytes are, nothing outside the record is read, and each output and weight is one that there can be. */
DW_CHECKED uint8_t dw_recipes_read(const dw_record_t *record, uint16_t number, dw_step_t *steps);

/* Ticks of a stage's unit. */
uint16_t dw_recipes_unit(const dw_record_t *record);

/* Serving by index, in quanta; 0 when there is none. */
uint32_t dw_recipes_serving(const dw_record_t *record, uint8_t index);

#endif
