/* The calibration record. */
#ifndef DW_CALIBRATION_H
#define DW_CALIBRATION_H

#include "dw_engine.h"
#include "dw_number.h"
#include "dw_record.h"

#define DW_UNIT_NAME 16u

/* Check the body of a record whose head and CRC are good; of the answer, the argument is the channel out of range.
 * `unit` is nothing but the name of this unit; from nowhere: it has none, and any calibration will do. */
DW_CHECKED dw_answer_t dw_calibration_check(const dw_record_t *record, const dw_record_t *unit);

/* The calibration of one channel. */
void dw_calibration_get(const dw_record_t *record, uint8_t channel, dw_calibration_t *calibration);

/* True when the numbers of a measured channel are within their limits: what dw_number.h computes with. */
DW_CHECKED bool dw_calibration_is_sound(const dw_calibration_t *calibration);

#endif
