/* Reads every recipe of a table in turn. An answer: whether it could be read, whether the order was given, flags,
 * then output and u16 value of each step, outputs from TABLE_CHANNELS on being stages. */
#include "bench.h"

int main(void)
{
    GPIOR2 = 1; /* what the marks alone cost */
    GPIOR2 = 2;
    bench_tell(bench_open());
    GPIOR2 = 4;
    for (uint16_t index = 0; index < TABLE_RECIPES; index++) {
        bench_recipe(index);
        GPIOR2 = 4;
    }
    GPIOR2 = 3;
    for (;;) {
    }
}
