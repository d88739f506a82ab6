/* What every measured program has in common. The runner takes the marks and the answer. */
#ifndef BENCH_H
#define BENCH_H

#include <avr/io.h>
#include <avr/pgmspace.h>
#include <stdbool.h>
#include <stdint.h>

#include "table.h" /* made for each run: TABLE_RECIPES, TABLE_CHANNELS, TABLE_STAGES, and the bytes */

#define BENCH_MEASURE(result, call) \
    do {                            \
        GPIOR2 = 1;                 \
        (result) = (call);          \
        GPIOR2 = 2;                 \
    } while (0)

/* Each reader supplies these: whether its table is fit; read recipe `index`, measured, and tell what it holds. */
bool bench_open(void);
void bench_recipe(uint16_t index);

static inline void bench_tell(uint8_t value) { GPIOR1 = value; }

static inline void bench_tell_step(uint8_t output, uint16_t value)
{
    GPIOR1 = output;
    GPIOR1 = (uint8_t)value;
    GPIOR1 = (uint8_t)(value >> 8);
}

#endif
