/* The engine's own reader: finds a recipe by its number and decodes it whole, from program memory or, with
 * ENGINE_STORE, from the EEPROM through the port's own function. Stages are told in tenths of a second. */
#include <avr/eeprom.h>

#include "bench.h"
#include "dw_engine.h"
#include "dw_recipes.h"
#include "machine.h"

#define STORE_AT 1u /* address 0 stays unused */
#define TICKS_OF_TENTH 100u

const struct {
    uint8_t unused[STORE_AT];
    uint8_t record[RECORD_LENGTH];
} store EEMEM = { { 0xFF }, RECORD_BYTES };

static dw_record_t record;
static dw_step_t steps[DW_STEPS_MAX];

bool bench_open(void)
{
    dw_record_built_in(DW_RECIPES, &record);
#ifdef ENGINE_STORE
    record.source = DW_FROM_STORE;
    record.base = STORE_AT;
#endif
    return dw_record_check(&record, record.length) == DW_OK && dw_recipes_check(&record, steps) == DW_OK;
}

void bench_recipe(uint16_t index)
{
    uint16_t units = dw_recipes_unit() / TICKS_OF_TENTH;
    uint8_t count;
    uint8_t marks = 0;
    uint8_t doses = 0;
    BENCH_MEASURE(count, dw_recipes_read(dw_recipes_index((uint16_t)(index + 1u)), steps));
    bench_tell(count != 0 && count != DW_NO_RECIPE);
    bench_tell(0);
    for (uint8_t i = 0; i < count; i++) {
        bool dose = (steps[i].phase & (uint8_t)~DW_AFTER_ALL) < DW_CHANNELS;
        if (steps[i].phase >= DW_AFTER_ALL) {
            marks |= (uint8_t)(!dose ? 4u : doses == 0u ? 1u : 2u);
        }
        doses = (uint8_t)(doses + dose);
    }
    bench_tell(marks);
    for (uint8_t i = 0; i < count; i++) {
        uint8_t output = steps[i].phase & (uint8_t)~DW_AFTER_ALL;
        bench_tell_step(output, (uint16_t)(steps[i].left * (output < DW_CHANNELS ? 1u : units)));
    }
}
