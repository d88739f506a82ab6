/* The cart without recipes of its own: they are loaded over the link. */
#ifndef TABLE_H
#define TABLE_H

#include <stdint.h>

#include "dw_target.h"

static const uint8_t dw_default_recipes[32] DW_ROM = { 0 };
static const uint8_t dw_default_calibration[32] DW_ROM = { 0 };

#endif
