/* On the chip: the reader of the AVR port and the one in C read the same recipes, whatever has become of their bytes since
 * they were checked. rot.c says what the bytes are, and hears whether both read the same. */
#include <avr/io.h>

#include "dw_engine.h"
#include "dw_recipes.h"
#include "dw_recipes_body.h"
#include "readers.h"

/* The one in C, under other names. */
uint8_t plain_read(uint16_t index, dw_step_t *steps);
uint8_t plain_steps(dw_place_t at, dw_step_t *step);
#undef DW_OWN_READER
#define dw_recipes_read plain_read
#define dw_recipe_steps plain_steps
#include "dw_recipes_read.c"
#undef dw_recipes_read
#undef dw_recipe_steps

static dw_step_t quick[DW_STEPS_MAX];
static dw_step_t plain[DW_STEPS_MAX];

static bool same(uint8_t count)
{
    for (uint8_t i = 0; i < count; i++) {
        if (quick[i].phase != plain[i].phase || quick[i].left != plain[i].left) {
            return false;
        }
    }
    return true;
}

int main(void)
{
    dw_record_t record = { DW_FROM_STORE, DW_RECIPES, STORE_AT, RECORD_LENGTH };

    for (;;) {
        GPIOR2 = NEW;
        if (dw_recipes_check(&record, quick) != DW_OK) {
            GPIOR2 = REFUSED;
        }
        GPIOR2 = ROTTEN;
        for (uint16_t index = 0; index <= dw_recipes.count; index++) {
            uint8_t count = dw_recipes_read(index, quick);

            if (plain_read(index, plain) != count || (count != DW_NO_RECIPE && !same(count))) {
                GPIOR2 = DIFFERENT;
            }
            GPIOR2 = count == DW_NO_RECIPE ? NONE : count != 0 ? WHOLE : BROKEN;
        }
    }
}
