/* Records that the driver fills in for each case. */
#ifndef TABLE_H
#define TABLE_H

#include "machine.h"

extern uint8_t dw_default_recipes[FUZZ_RECORD];
extern uint8_t dw_default_calibration[FUZZ_RECORD];

#endif
