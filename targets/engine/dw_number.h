/* Volumes to ticks, in 32 bits. */
#ifndef DW_NUMBER_H
#define DW_NUMBER_H

#include <stdbool.h>
#include <stdint.h>

/* A channel's calibration: ticks per quantum as m * 2^-(32+s), and the offset in quanta. m = 0: not measured. */
typedef struct {
    uint32_t m;
    uint8_t s;
    int32_t offset;
} dw_calibration_t;

/* Shares a serving out among doses; the shares add up to the serving. */
typedef struct {
    uint32_t quotient;
    uint16_t remainder;
    uint16_t sum;
    uint16_t weight_so_far;
    uint16_t remainder_so_far;
} dw_share_t;

void dw_share_begin(dw_share_t *share, uint32_t serving, uint16_t sum_of_weights);
uint32_t dw_share_next(dw_share_t *share, uint16_t weight);

/* Ticks in which a channel of this rate moves so many quanta, rounded to the nearest. */
uint32_t dw_ticks(uint32_t quanta, uint32_t m, uint8_t s);

/* On-time of a dose: its volume less the channel's offset. 0 when nothing is left. */
uint32_t dw_dose_ticks(uint32_t quanta, const dw_calibration_t *calibration);

/* The offset in ticks, with its sign. */
int32_t dw_offset_ticks(const dw_calibration_t *calibration);

/* True when the first of two normalised rates takes more ticks per quantum than the second. */
bool dw_slower(uint32_t m1, uint8_t s1, uint32_t m2, uint8_t s2);

#endif
