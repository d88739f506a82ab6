/* Recipes that run on to the very end of the body, recipes that say that they run on behind it, and recipes of more steps
 * than there is room for: the bytes behind the body are never read, those behind the steps never written. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "dw_engine.h"
#include "dw_recipes.h"
#include "dw_recipes_body.h"
#include "machine.h"

#define BASE 7u
#define FILL 0xA5u
#define CODE (DW_CHANNELS <= 8 && DW_OUTPUTS - DW_CHANNELS <= 4 ? 31u : 15u) /* says that the value follows */
#define SHORT_ONES (DW_CHANNELS <= 16 && DW_OUTPUTS - DW_CHANNELS <= 8)

/* Of a body of one recipe; behind it the dictionary, which is 1 where there are short recipes. */
static const uint8_t head[] = { 1, 0, 1, 0, SHORT_ONES, 1, 1, 0 };
static const uint8_t serving[] = { 1, 0, 0, 0 };

static uint8_t bytes[DW_RECORD_HEAD + 400u];
static dw_record_t record = { DW_FROM_STORE, DW_RECIPES, BASE, 0 };
static struct {
    dw_step_t steps[DW_STEPS_MAX];
    uint8_t behind[2 * sizeof(dw_step_t)];
} room;

static void fail(const char *what, unsigned said, unsigned present)
{
    (void)printf("%s: %u bytes said, %u there\n", what, said, present);
    exit(1);
}

uint8_t dw_port_store_read(dw_offset_t address)
{
    if (address < BASE || address - BASE >= record.length - DW_RECORD_TAIL) {
        fail("a read outside the body", (unsigned)address, (unsigned)record.length);
    }
    return bytes[address - BASE];
}

static void add(const uint8_t *from, size_t count)
{
    memcpy(&bytes[record.length], from, count);
    record.length += (dw_offset_t)count;
}

static void add8(unsigned byte)
{
    bytes[record.length] = (uint8_t)byte;
    record.length++;
}

/* A record whose recipe says that `said` bytes follow, and of which `present` do. */
static void build(bool is_long, const uint8_t *recipe, unsigned said, unsigned present)
{
    unsigned block = said + (is_long ? 2u : 1u);

    record.length = DW_RECORD_HEAD;
    add(head, sizeof head);
    if (SHORT_ONES) {
        add8(1);
    }
    if (block >= 240u) {
        add8(240u + block / 256u);
    }
    add8(block % 256u);
    if (is_long) {
        add8(said / 256u);
        add8(said % 256u);
    } else {
        add8(said * 16u);
    }
    add(recipe, present);
    add(serving, sizeof serving);
    record.length += DW_RECORD_TAIL;
    dw_recipes_open(&record);
}

static uint8_t read_it(void)
{
    uint8_t count;
    size_t i;

    memset(&room, FILL, sizeof room);
    count = dw_recipes_read(0, room.steps);
    for (i = 0; i < sizeof room.behind; i++) {
        if (room.behind[i] != FILL) {
            fail("a step written behind the last", 0, 0);
        }
    }
    return count;
}

/* Every length that it may say, with every number of its bytes there: read only where both are right. */
static void try_ends(bool is_long, const uint8_t *recipe, const uint8_t *sizes, unsigned steps)
{
    unsigned length = 0, said, present, i;

    for (i = 0; i < steps; i++) {
        length += sizes[i];
    }
    for (said = is_long ? 0u : 1u; said <= length + 4u && (is_long || said <= 15u); said++) {
        unsigned wanted = 0, end = 0;

        for (i = 0; i < steps; i++) {
            end += sizes[i];
            if (end == said) {
                wanted = i + 1u;
            }
        }
        for (present = 0; present <= length; present++) {
            build(is_long, recipe, said, present);
            if (read_it() != (said <= present ? wanted : 0u)) {
                fail(is_long ? "a long recipe" : "a short recipe", said, present);
            }
        }
    }
}

/* As many steps as there is room for, and one more. */
static void try_room(bool is_long, const uint8_t *step, unsigned size)
{
    uint8_t recipe[3u * (DW_STEPS_MAX + 1u)];
    unsigned steps;

    for (steps = 0; steps <= DW_STEPS_MAX; steps++) {
        memcpy(&recipe[steps * size], step, size);
    }
    for (steps = DW_STEPS_MAX; steps <= DW_STEPS_MAX + 1u; steps++) {
        build(is_long, recipe, steps * size, steps * size);
        if (read_it() != (steps == DW_STEPS_MAX ? steps : 0u)) {
            fail("steps and room", steps, DW_STEPS_MAX);
        }
    }
}

/* What the check says of a recipe of 17 doses, 16 of them of the greatest weight. */
static uint8_t check_sum(uint8_t last)
{
    uint8_t recipe[3u * 17u];
    unsigned i;

    for (i = 0; i < 17u; i++) {
        recipe[3u * i] = (uint8_t)i;
        recipe[3u * i + 1u] = i == 16u ? last : 0xFFu;
        recipe[3u * i + 2u] = i == 16u ? 0u : 0x0Fu;
    }
    build(true, recipe, sizeof recipe, sizeof recipe);
    return dw_recipes_check(&record, room.steps);
}

/* A block whose length would be in two bytes, the second of which is behind the recipes already: refused. */
static void try_block_at_the_end(void)
{
    uint8_t behind; /* of the serving, where a recipe would begin */

    for (behind = 0; behind != 255u; behind++) {
        const uint8_t last[] = { 1, behind, 0, 0 };

        record.length = DW_RECORD_HEAD;
        add(head, sizeof head);
        if (SHORT_ONES) {
            add8(1);
        }
        add8(240u);
        add(last, sizeof last);
        record.length += DW_RECORD_TAIL;
        if (dw_recipes_check(&record, room.steps) != DW_BAD_RECORD) {
            fail("a block at the very end", behind, 0);
        }
    }
}

/* There is one recipe; and its weight has 12 bits whatever the dictionary and its grain are. */
static void try_numbers_and_weights(const uint8_t *dose)
{
    uint8_t grain;

    build(!SHORT_ONES, dose, SHORT_ONES ? 1 : 3, SHORT_ONES ? 1 : 3);
    if (dw_recipes_read(dw_recipes_index(1), room.steps) != 1 ||
        dw_recipes_read(dw_recipes_index(0), room.steps) != DW_NO_RECIPE ||
        dw_recipes_read(dw_recipes_index(2), room.steps) != DW_NO_RECIPE) {
        fail("there is no recipe but 1", 0, 0);
    }
    for (grain = 16; SHORT_ONES && grain <= 17; grain++) {
        bytes[DW_RECORD_HEAD + 5u] = grain;
        bytes[DW_RECORD_HEAD + sizeof head] = 255;
        if (dw_recipes_check(&record, room.steps) != (grain == 16 ? DW_OK : DW_BAD_RECORD)) {
            fail("a grain, and the greatest of all", grain, 16);
        }
    }
}

int main(void)
{
    static const uint8_t dose[] = { 0, 1, 0 };
    static const uint8_t short_one[] = { 0, CODE, 5, CODE, 0xF1, 0x2C, 0, CODE, 0xF0, 0xFF };
    static const uint8_t short_sizes[] = { 1, 2, 3, 1, 3 };
    static const uint8_t long_one[] = { 0, 1, 0, DW_CHANNELS, 2, 0, 1, 0, 0, 3, 0, DW_CHANNELS, 0, 0, 0, 1 };
    static const uint8_t long_sizes[] = { 3, 5, 3, 5 };

    try_ends(true, long_one, long_sizes, DW_OUTPUTS > DW_CHANNELS ? 4 : 1);
    try_room(true, dose, 3);
    try_numbers_and_weights(dose);
    try_block_at_the_end();
    if (SHORT_ONES) {
        try_ends(false, short_one, short_sizes, 5);
        try_room(false, dose, 1);
    }
    if (DW_CHANNELS > 16 && (check_sum(15) != DW_OK || check_sum(16) != DW_BAD_RECORD)) {
        fail("a sum of weights of 65535 is good, of 65536 not", 0, 0);
    }
    return 0;
}
