/* The calibration record. */
#ifndef DW_CALIBRATION_H
#define DW_CALIBRATION_H

#include "dw_number.h"
#include "dw_record.h"

#define DW_UNIT_NAME 16u

/* Check the body of a record whose head and CRC are good; of the answer, the argument is the channel out of range.
 * `unit` is the record that names this unit, or one from nowhere: then any name will do. */
DW_CHECKED uint8_t dw_calibration_check(const dw_record_t *record, const dw_record_t *unit, uint8_t *channel);

/* The calibration of one channel. */
void dw_calibration_get(const dw_record_t *record, uint8_t channel, dw_calibration_t *calibration);

/* True when the numbers of a measured channel are within their limits: what dw_number.h computes with. */
DW_CHECKED bool dw_calibration_is_sound(const dw_calibration_t *calibration);

/* One byte of the unit's name. */
uint8_t dw_calibration_name(const dw_record_t *record, uint8_t index);

#endif
