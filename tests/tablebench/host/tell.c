/* Reads a table from standard input: its bytes; prints each recipe as: given marks output:value ...
 *
 *     tell RECIPES < table          tells every recipe, then whether all are well formed
 *     tell RECIPES ROUNDS < table   changes bytes at random, ROUNDS times, and reads whatever that gives
 *
 * The memory is exactly as long as the table, so that a sanitizer sees a read outside of it.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "compact.h"

const uint8_t *table_memory;

static uint32_t state = 1;

static uint32_t chance(uint32_t below)
{
    state ^= state << 13;
    state ^= state >> 17;
    state ^= state << 5;
    return state % below;
}

static void tell(uint16_t count, size_t length)
{
    compact_recipe_t recipe;
    if (!compact_open(0, length, count)) {
        printf("refused\n");
        return;
    }
    for (uint16_t index = 0; index < count; index++) {
        if (!compact_read(index, &recipe)) {
            printf("bad\n");
            continue;
        }
        printf("%d %u", recipe.given != 0, recipe.marks);
        for (unsigned i = 0; i < recipe.steps; i++) {
            printf(" %u:%lu", recipe.step[i].output, (unsigned long)recipe.step[i].value);
        }
        printf("\n");
    }
    printf("%s\n", compact_check(&recipe) && !compact_read(count, &recipe) ? "good" : "bad");
}

/* Whether what was read keeps the promises of the reader. */
static int sound(const compact_recipe_t *recipe)
{
    for (unsigned i = 0; i < recipe->steps; i++) {
        if ((recipe->step[i].output & 127u) >= COMPACT_CHANNELS + COMPACT_STAGES || recipe->step[i].value == 0) {
            return 0;
        }
    }
    return recipe->steps <= COMPACT_STEPS_MAX;
}

static void worry(const uint8_t *table, size_t length, uint16_t count, unsigned long rounds)
{
    unsigned long refused = 0, bad = 0, read = 0;
    for (unsigned long round = 0; round < rounds; round++) {
        size_t size = chance(4) == 0 ? chance((uint32_t)length + 1) : length;
        uint8_t *copy = malloc(size + (size == 0));
        memcpy(copy, table, size);
        uint32_t changes = chance(4) == 0 ? (uint32_t)size : 1 + chance(4);
        for (uint32_t i = 0; size != 0 && i < changes; i++) {
            uint32_t at = chance(2) ? chance((uint32_t)size) : chance(size < 40 ? (uint32_t)size : 40);
            copy[at] = (uint8_t)(chance(2) ? chance(256) : copy[at] ^ 1u << chance(8));
        }
        table_memory = copy;
        if (!compact_open(0, size, count)) {
            refused++;
        } else {
            compact_recipe_t recipe;
            for (uint16_t index = 0; index < count; index++) {
                if (!compact_read(index, &recipe)) {
                    bad++;
                } else if (!sound(&recipe)) {
                    printf("unsound\n");
                    exit(1);
                } else {
                    read++;
                }
            }
            (void)compact_check(&recipe);
        }
        free(copy);
    }
    printf("refused %lu bad %lu read %lu\n", refused, bad, read);
}

int main(int argc, char **argv)
{
    static uint8_t bytes[1 << 20];
    size_t length = fread(bytes, 1, sizeof bytes, stdin);
    uint16_t count = (uint16_t)strtoul(argv[1], NULL, 10);
    uint8_t *table = malloc(length);
    memcpy(table, bytes, length);
    table_memory = table;
    if (argc == 3) {
        worry(table, length, count, strtoul(argv[2], NULL, 10));
    } else {
        tell(count, length);
    }
    free(table);
    return 0;
}
