/* A walker over MessagePack (positional: [[channel, amount, ...], given, [kind, tenths, ...], flags], with a u16
 * index), for the few types that occur: fixarray, positive fixint, uint 8, uint 16. It trusts its table but for
 * unknown types. */
#include "bench.h"

typedef struct {
    uint8_t output;
    uint16_t value;
} step_t;

typedef struct {
    uint8_t given;
    uint8_t flags;
    uint8_t doses;
    uint8_t stages;
    step_t step[20];
} recipe_t;

static const uint16_t places[] PROGMEM = TABLE_INDEX;
static const uint8_t bytes[] PROGMEM = TABLE_BYTES;
static recipe_t recipe;
static const uint8_t *cursor;
static bool broken;

__attribute__((noinline)) static uint16_t number(void)
{
    uint8_t type = pgm_read_byte(cursor++);
    if (type < 0x80u) {
        return type;
    }
    if (type == 0xCCu) {
        return pgm_read_byte(cursor++);
    }
    if (type == 0xCDu) {
        uint16_t high = pgm_read_byte(cursor++);
        return (uint16_t)(high << 8 | pgm_read_byte(cursor++));
    }
    broken = true;
    return 0;
}

__attribute__((noinline)) static uint8_t array(void)
{
    uint8_t type = pgm_read_byte(cursor++);
    if ((type & 0xF0u) != 0x90u) {
        broken = true;
        return 0;
    }
    return type & 15u;
}

__attribute__((noinline)) static uint8_t steps(step_t *step)
{
    uint8_t n = array() / 2u;
    for (uint8_t i = 0; i < n; i++) {
        step->output = (uint8_t)number();
        step->value = number();
        step++;
    }
    return n;
}

__attribute__((noinline)) static bool walk(uint16_t index, recipe_t *r)
{
    broken = false;
    cursor = bytes + pgm_read_word(&places[index]);
    (void)array();
    r->doses = steps(r->step);
    r->given = (uint8_t)number();
    r->stages = steps(r->step + r->doses);
    r->flags = (uint8_t)number();
    return !broken;
}

bool bench_open(void) { return true; }

void bench_recipe(uint16_t index)
{
    bool good;
    BENCH_MEASURE(good, walk(index, &recipe));
    bench_tell(good);
    bench_tell(recipe.given != 0u);
    bench_tell(recipe.flags);
    for (uint8_t i = 0; i < recipe.stages; i++) {
        const step_t *s = &recipe.step[recipe.doses + i];
        bench_tell_step((uint8_t)(TABLE_CHANNELS + s->output), s->value);
    }
    for (uint8_t i = 0; i < recipe.doses; i++) {
        bench_tell_step(recipe.step[i].output, recipe.step[i].value);
    }
}
