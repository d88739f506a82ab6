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
static dw_line_t lines[DW_STEPS_MAX];
static uint8_t count;

bool bench_open(void)
{
    dw_record_built_in(DW_RECIPES, &record);
#ifdef ENGINE_STORE
    record.source = DW_FROM_STORE;
    record.base = STORE_AT;
#endif
    return dw_record_check(&record, record.length) == DW_OK && dw_recipes_check(&record) == DW_OK;
}

void bench_recipe(uint16_t index)
{
    bool good;
    uint8_t marks = 0;
    uint8_t doses = 0;
    BENCH_MEASURE(good, dw_recipes_find(&record, (uint16_t)(index + 1u)));
    count = 0;
    while (count != DW_STEPS_MAX && dw_recipes_next(&lines[count])) {
        count++;
    }
    good = good && dw_recipes_ended();
    bench_tell(good);
    bench_tell(0);
    for (uint8_t i = 0; i < count; i++) {
        if (lines[i].after_all) {
            marks |= (uint8_t)(lines[i].output >= DW_CHANNELS ? 4u : doses == 0u ? 1u : 2u);
        }
        doses = (uint8_t)(doses + (lines[i].output < DW_CHANNELS));
    }
    bench_tell(marks);
    for (uint8_t i = 0; i < count; i++) {
        uint32_t amount = lines[i].amount;
        bench_tell_step(lines[i].output, (uint16_t)(lines[i].output < DW_CHANNELS ? amount : amount / TICKS_OF_TENTH));
    }
}
