/* Pooled C structs with a u16 index, as one would write them by hand: head (doses | given << 3 | stages << 4 |
 * flags follow << 6), flags when there are any, stages of 3 bytes, doses of 2. It trusts its table. */
#include "bench.h"

typedef struct {
    uint8_t channel;
    uint8_t amount;
} dose_t;

typedef struct {
    uint8_t kind;
    uint16_t tenths;
} stage_t;

typedef struct {
    uint8_t given;
    uint8_t flags;
    uint8_t doses;
    uint8_t stages;
    dose_t dose[16];
    stage_t stage[4];
} recipe_t;

static const uint16_t places[] PROGMEM = TABLE_INDEX;
static const uint8_t bytes[] PROGMEM = TABLE_BYTES;
static recipe_t recipe;

__attribute__((noinline)) static bool structs_read(uint16_t index, recipe_t *r)
{
    const uint8_t *at = bytes + pgm_read_word(&places[index]);
    uint8_t head = pgm_read_byte(at++);
    r->doses = head & 7u;
    r->given = head & 8u;
    r->stages = (head >> 4) & 3u;
    r->flags = 0;
    if (head & 64u) {
        r->flags = pgm_read_byte(at++);
    }
    for (uint8_t i = 0; i < r->stages; i++) {
        r->stage[i].kind = pgm_read_byte(at);
        r->stage[i].tenths = pgm_read_word(at + 1);
        at += 3;
    }
    for (uint8_t i = 0; i < r->doses; i++) {
        r->dose[i].channel = pgm_read_byte(at);
        r->dose[i].amount = pgm_read_byte(at + 1);
        at += 2;
    }
    return true;
}

bool bench_open(void) { return true; }

void bench_recipe(uint16_t index)
{
    bool good;
    BENCH_MEASURE(good, structs_read(index, &recipe));
    bench_tell(good);
    bench_tell(recipe.given != 0u);
    bench_tell(recipe.flags);
    for (uint8_t i = 0; i < recipe.stages; i++) {
        bench_tell_step((uint8_t)(TABLE_CHANNELS + recipe.stage[i].kind), recipe.stage[i].tenths);
    }
    for (uint8_t i = 0; i < recipe.doses; i++) {
        bench_tell_step(recipe.dose[i].channel, recipe.dose[i].amount);
    }
}
