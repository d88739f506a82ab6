/* The recipes record. Nothing outside dw_recipes.c and dw_recipes_check.c knows how a recipe lies in its bytes. */
#ifndef DW_RECIPES_H
#define DW_RECIPES_H

#include "dw_record.h"
#include "dw_step.h"

/* Instead of a count of steps. */
#define DW_NO_RECIPE 0xFFu

/* Check the body of a record whose head and CRC are good, completely, a recipe at a time in `steps`, of which there are
 * DW_STEPS_MAX. From then on it is the recipes of this record that are read, if they are good. A record is changed by
 * nothing but an upload, which ends with this. */
DW_CHECKED uint8_t dw_recipes_check(const dw_record_t *record, dw_step_t *steps);

/* The index of the recipe of a number; one that no recipe has when there is none. */
uint16_t dw_recipes_index(uint16_t number);

/* Read the recipe of this index: how many steps it has. DW_NO_RECIPE when there is none, 0 at bytes that break a rule.
 * Whatever has become of the bytes since they were checked, nothing outside the record is read, and each output and weight
 * is one that there can be. */
DW_CHECKED uint8_t dw_recipes_read(uint16_t index, dw_step_t *steps);

/* Ticks of a stage's unit. */
uint16_t dw_recipes_unit(void);

/* Serving by index, in quanta; 0 when there is none. */
uint32_t dw_recipes_serving(uint8_t index);

#endif
