/* nanopb: the message is copied from flash into a buffer, found by a u16 index. */
#include "bench.h"
#include "pb_decode.h"
#include "recipes.pb.h"

static const uint16_t places[] PROGMEM = TABLE_INDEX;
static const uint8_t bytes[] PROGMEM = TABLE_BYTES;
static uint8_t buffer[48];
static Recipe recipe;

__attribute__((noinline)) static bool message_read(uint16_t index, Recipe *r)
{
    uint16_t from = pgm_read_word(&places[index]);
    uint16_t length = (uint16_t)(pgm_read_word(&places[index + 1u]) - from);
    if (length > sizeof buffer) {
        return false;
    }
    memcpy_P(buffer, bytes + from, length);
    pb_istream_t stream = pb_istream_from_buffer(buffer, length);
    return pb_decode(&stream, Recipe_fields, r);
}

bool bench_open(void) { return true; }

void bench_recipe(uint16_t index)
{
    bool good;
    BENCH_MEASURE(good, message_read(index, &recipe));
    bench_tell(good);
    bench_tell(recipe.given);
    bench_tell(recipe.flags);
    for (uint8_t i = 0; i + 1u < recipe.stages_count; i += 2) {
        bench_tell_step((uint8_t)(TABLE_CHANNELS + recipe.stages[i]), recipe.stages[i + 1u]);
    }
    for (uint8_t i = 0; i + 1u < recipe.doses_count; i += 2) {
        bench_tell_step((uint8_t)recipe.doses[i], recipe.doses[i + 1u]);
    }
}
