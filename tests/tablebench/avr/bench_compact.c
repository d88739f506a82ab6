#include "bench.h"
#include "compact.h"

static const uint8_t bytes[] PROGMEM = TABLE_BYTES;
static compact_recipe_t recipe;

bool bench_open(void)
{
    return compact_open((table_address_t)bytes, sizeof bytes, TABLE_RECIPES) && compact_check(&recipe);
}

void bench_recipe(uint16_t index)
{
    bool good;
    BENCH_MEASURE(good, compact_read(index, &recipe));
    bench_tell(good);
    bench_tell(recipe.given != 0u);
    bench_tell(recipe.marks);
    for (uint8_t i = 0; i < recipe.steps; i++) {
        bench_tell_step(recipe.step[i].output, (uint16_t)recipe.step[i].value);
    }
}
