#include "dw_calibration.h"

#include "machine.h"

#define COUNT_AT (DW_RECORD_HEAD + DW_UNIT_NAME)
#define CHANNELS_AT (COUNT_AT + 1u)
#define CHANNEL_BYTES 9u
#define OFFSET_MAX 128000000l

void dw_calibration_get(const dw_record_t *record, uint8_t channel, dw_calibration_t *calibration)
{
    dw_offset_t at = (dw_offset_t)(CHANNELS_AT + (dw_offset_t)CHANNEL_BYTES * channel);
    uint32_t offset = dw_record32(record, (dw_offset_t)(at + 5u));

    calibration->m = dw_record32(record, at);
    calibration->s = dw_record8(record, (dw_offset_t)(at + 4u));
    calibration->offset = offset > INT32_MAX ? -(int32_t)(UINT32_MAX - offset) - 1 : (int32_t)offset;
}

bool dw_calibration_is_sound(const dw_calibration_t *calibration)
{
    return calibration->m >= 0x80000000ul && calibration->s >= 1u && calibration->s <= 24u &&
           calibration->offset <= OFFSET_MAX && calibration->offset >= -OFFSET_MAX;
}

/* True when the unit has a name and it is not the one in this record. */
static bool of_another_unit(const dw_record_t *record, const dw_record_t *unit)
{
    uint8_t i;

    for (i = 0; unit->source != DW_FROM_NOWHERE && i < DW_UNIT_NAME; i++) {
        if (dw_record8(record, (dw_offset_t)(DW_RECORD_HEAD + i)) != dw_record8(unit, i)) {
            return true;
        }
    }
    return false;
}

static bool is_plausible(uint8_t channel, const dw_calibration_t *calibration)
{
    const dw_rate_range_t *range = &dw_rate_ranges[channel];

    return !dw_slower(calibration->m, calibration->s, dw_rom32(&range->slowest_m), dw_rom8(&range->slowest_s)) &&
           !dw_slower(dw_rom32(&range->fastest_m), dw_rom8(&range->fastest_s), calibration->m, calibration->s);
}

/* A unit's name tells more than a rate that is out of range. */
dw_answer_t dw_calibration_check(const dw_record_t *record, const dw_record_t *unit)
{
    dw_answer_t answer = dw_answer(DW_OK, 0);
    uint8_t i = DW_CHANNELS;

    if (record->length != CHANNELS_AT + (dw_offset_t)CHANNEL_BYTES * DW_CHANNELS + DW_RECORD_TAIL ||
        dw_record8(record, COUNT_AT) != DW_CHANNELS) {
        return dw_answer(DW_BAD_RECORD, 0);
    }
    while (i != 0) {
        dw_calibration_t calibration;

        i--;
        dw_calibration_get(record, i, &calibration);
        if (calibration.m == 0) {
            continue;
        }
        if (!dw_calibration_is_sound(&calibration)) {
            return dw_answer(DW_BAD_RECORD, 0);
        }
        if (!is_plausible(i, &calibration)) {
            answer = dw_answer(DW_OUT_OF_RANGE, i);
        }
    }
    return of_another_unit(record, unit) ? dw_answer(DW_WRONG_UNIT, 0) : answer;
}
