#include "dw_number.h"

#include "dw_port.h"

/* The product of two 16-bit numbers and one more added, which fits. Apart, so that a core without a wider multiplier takes
 * its quick one. */
DW_APART static uint32_t product(uint16_t a, uint16_t b, uint16_t more)
{
    return (uint32_t)a * b + more;
}

DW_APART static uint16_t upper(uint32_t number)
{
    return (uint16_t)(number >> 16);
}

/* The high half of a 64-bit product, from 16-bit pieces: an 8-bit core's 64-bit multiply is large and slow. */
static uint32_t high_product(uint32_t a, uint32_t b)
{
    uint16_t a_low = (uint16_t)(a & UINT32_C(0xFFFF));
    uint16_t b_low = (uint16_t)(b & UINT32_C(0xFFFF));
    uint32_t middle = product(upper(a), b_low, upper(product(a_low, b_low, 0)));
    uint32_t low = product(a_low, upper(b), (uint16_t)(middle & UINT32_C(0xFFFF)));

    /* no overflow: (2^16 - 1)^2 + 2 (2^16 - 1) = 2^32 - 1 */
    return product(upper(a), upper(b), upper(middle)) + upper(low);
}

/* Divides once a pour, so that each dose costs one division. */
void dw_share_begin(dw_share_t *share, uint32_t serving, uint16_t sum_of_weights)
{
    share->quotient = serving / sum_of_weights;
    share->remainder = (uint16_t)(serving % sum_of_weights);
    share->sum = sum_of_weights;
    share->weight_so_far = 0;
    share->remainder_so_far = 0;
}

/* Of a division whose result fits 16 bits: half the steps of a whole one, which counts on a core that divides bit by
 * bit. */
static uint16_t quotient(uint32_t dividend, uint16_t divisor)
{
    uint16_t rest = (uint16_t)(dividend >> 16);
    uint16_t low = (uint16_t)(dividend & UINT32_C(0xFFFF));
    uint8_t bits;

    for (bits = 16; bits != 0; bits--) {
        bool carry = (rest & 0x8000u) != 0;

        rest = (uint16_t)(rest << 1);
        if ((low & 0x8000u) != 0) {
            rest |= 1u;
        }
        low = (uint16_t)(low << 1);
        if (carry || rest >= divisor) {
            rest = (uint16_t)(rest - divisor);
            low |= 1u;
        }
    }
    return low;
}

/* Telescopes: the rounding of each dose is taken up by the next, so that the sum is exact. */
uint32_t dw_share_next(dw_share_t *share, uint16_t weight)
{
    uint16_t before = share->remainder_so_far;

    share->weight_so_far = (uint16_t)(share->weight_so_far + weight);
    share->remainder_so_far = quotient(product(share->remainder, share->weight_so_far, 0), share->sum);
    return share->quotient * weight + (uint16_t)(share->remainder_so_far - before);
}

/* The high half of a product is at most 2^32 - 2, so that rounding it up does not overflow. Shifts by whole bytes first: an
 * 8-bit core shifts one place at a time. */
DW_APART uint32_t dw_ticks(uint32_t quanta, uint32_t m, uint8_t s)
{
    uint32_t high = high_product(quanta, m);
    uint8_t shift = (uint8_t)(s - 1u);

    for (; shift >= 8u; shift = (uint8_t)(shift - 8u)) {
        high >>= 8;
    }
    return ((high >> shift) + 1u) >> 1;
}

/* A positive offset is liquid that comes by itself, a negative one is lost at the start and must be added; the limits
 * of a record's servings and offsets keep the sum within 32 bits. */
uint32_t dw_dose_ticks(uint32_t quanta, const dw_calibration_t *calibration)
{
    uint32_t offset = (uint32_t)calibration->offset;

    if (calibration->offset > 0 && quanta <= offset) {
        return 0;
    }
    return dw_ticks(quanta - offset, calibration->m, calibration->s);
}

/* A record's offset is at most 128 000 000 quanta, so the result is below 2^27. */
int32_t dw_offset_ticks(const dw_calibration_t *calibration)
{
    bool lost = calibration->offset < 0;
    uint32_t offset = (uint32_t)calibration->offset;
    int32_t ticks = (int32_t)dw_ticks(lost ? 0u - offset : offset, calibration->m, calibration->s);

    return lost ? -ticks : ticks;
}

/* Multipliers are normalised, so the shift decides unless it is the same. */
bool dw_slower(uint32_t m1, uint8_t s1, uint32_t m2, uint8_t s2)
{
    return s1 != s2 ? s1 < s2 : m1 > m2;
}
