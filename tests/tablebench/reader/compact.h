/* Reader of compact recipes; README.md beside this file has the bytes.
 *
 * The build supplies table_bytes.h: the type table_address_t, an unsigned integer that holds every address of a
 * table with 256 to spare, and table_byte(address), which reads one byte there.
 */
#ifndef COMPACT_H
#define COMPACT_H

#include <stdbool.h>
#include <stdint.h>

#include "table_bytes.h"

/* Steps of the longest recipe; not below 15, which is the most a short record can have. */
#ifndef COMPACT_STEPS_MAX
#define COMPACT_STEPS_MAX 16u
#endif

#define COMPACT_AFTER_ALL 128u /* mark on a step's output, in long records */

/* COMPACT_LONG 1 builds the reader that knows long records too, and durations and weights of any size. */
#if COMPACT_LONG
typedef uint32_t compact_value_t;
#else
typedef uint16_t compact_value_t;
#endif

/* A dose (output below the number of channels; value: weight) or a stage (value: duration). */
typedef struct {
    uint8_t output;
    compact_value_t value;
} compact_step_t;

/* A short record has its stages first, then its doses in the order they are poured. */
typedef struct {
    uint8_t given; /* not 0: the recipe itself gave the order of its doses */
    uint8_t marks;
    uint8_t steps;
    compact_step_t step[COMPACT_STEPS_MAX];
} compact_recipe_t;

/* Take the `length` bytes at `start` as the table of `count` recipes; false when its head breaks a rule. */
bool compact_open(table_address_t start, table_address_t length, uint16_t count);

/* Find recipe `index` of the open table and decode it whole; false when there is none or its bytes break a rule.
 * Whatever the bytes are, it reads nothing outside the table and writes nothing outside the recipe. */
bool compact_read(uint16_t index, compact_recipe_t *recipe);

/* Whether every recipe of the open table can be read, has a dose and no channel twice: to be asked once, when a table
 * is new. `recipe` is room to work in. */
bool compact_check(compact_recipe_t *recipe);

#endif
