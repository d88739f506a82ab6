/* Reads every recipe of a table in turn. An answer: whether it could be read, whether the order was given, flags,
 * then output and u16 value of each step, outputs from TABLE_CHANNELS on being stages. */
#include "bench.h"

int main(void)
{
    GPIOR0 = 1; /* what the marks alone cost */
    GPIOR0 = 2;
    bench_tell(bench_open());
    GPIOR0 = 4;
    for (uint16_t index = 0; index < TABLE_RECIPES; index++) {
        bench_recipe(index);
        GPIOR0 = 4;
    }
    GPIOR0 = 3;
    for (;;) {
    }
}
