/* Reads a recipes record from standard input, changes bytes of its body at random and reads whatever that gives, as a
 * record that is checked and as one that rotted after its check; before that, every byte with every value. A read
 * outside the record, or of its CRC, ends the program.
 *
 *     rotten ROUNDS < record
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "dw_engine.h"
#include "dw_recipes.h"
#include "machine.h"

#define BASE 7u

static uint8_t good[1u << 18];
static uint8_t bytes[1u << 18];
static size_t length;
static struct {
    dw_step_t steps[DW_STEPS_MAX];
    uint8_t behind[sizeof(dw_step_t)]; /* stay 0 */
} room;
static dw_step_t *const steps = room.steps;

static uint32_t chance(uint32_t below)
{
    static uint32_t state = 1;

    state ^= state << 13;
    state ^= state >> 17;
    state ^= state << 5;
    return state % below;
}

static void fail(const char *what)
{
    (void)printf("%s\n", what);
    exit(1);
}

uint8_t dw_port_store_read(dw_offset_t address)
{
    if (address < BASE || address - BASE >= length - DW_RECORD_TAIL) {
        fail("a read outside the body");
    }
    return bytes[address - BASE];
}

static void change(void)
{
    uint32_t changes = 1 + chance(4);
    uint32_t body = (uint32_t)length - DW_RECORD_HEAD - DW_RECORD_TAIL;

    for (; changes != 0; changes--) {
        uint32_t at = DW_RECORD_HEAD + (chance(2) != 0 ? chance(body) : chance(body < 64 ? body : 64));

        bytes[at] = (uint8_t)(chance(2) != 0 ? chance(256) : bytes[at] ^ 1u << chance(8));
    }
}

/* Every recipe there may be; counts those that can be read to their end. */
static unsigned long read_all(uint16_t count)
{
    static const uint8_t nothing[sizeof room.behind];
    unsigned long whole = 0;
    uint32_t number;

    for (number = 0; number < count + 3u; number++) {
        uint8_t steps_read = dw_recipes_read(dw_recipes_index((uint16_t)number), steps);
        uint8_t i;

        if (steps_read == DW_NO_RECIPE) {
            continue;
        }
        if (steps_read > DW_STEPS_MAX) {
            fail("more steps than there is room for");
        }
        if (memcmp(room.behind, nothing, sizeof nothing) != 0) {
            fail("a step written behind the last");
        }
        for (i = 0; i < steps_read; i++) {
            uint8_t output = steps[i].phase & (uint8_t)~DW_AFTER_ALL;

            if (output >= DW_OUTPUTS || steps[i].left == 0 || (output < DW_CHANNELS && steps[i].left > 4095u)) {
                fail("a step that there cannot be");
            }
        }
        whole += steps_read != 0;
    }
    return whole;
}

static void check_good(const dw_record_t *record)
{
    if (dw_recipes_check(record, steps) != DW_OK) {
        fail("a good record was refused");
    }
}

/* Every byte of the body with every value; how many of them pass the check. */
static unsigned long exhaust(const dw_record_t *record, uint16_t count)
{
    unsigned long taken = 0;
    size_t at;

    memcpy(bytes, good, length);
    for (at = DW_RECORD_HEAD; at < length - DW_RECORD_TAIL; at++) {
        unsigned value;

        for (value = 0; value < 256; value++) {
            bytes[at] = good[at];
            check_good(record);
            bytes[at] = (uint8_t)value;
            (void)read_all(count);
            if (dw_recipes_check(record, steps) == DW_OK) {
                taken++;
                (void)read_all(count);
            }
        }
        bytes[at] = good[at];
    }
    return taken;
}

int main(int argc, char **argv)
{
    unsigned long rounds = argc == 2 ? strtoul(argv[1], NULL, 10) : 0;
    unsigned long refused = 0, taken = 0, whole = 0, rotten = 0;
    dw_record_t record = { DW_FROM_STORE, DW_RECIPES, BASE, 0 };
    uint16_t count;

    length = fread(good, 1, sizeof good, stdin);
    record.length = (dw_offset_t)length;
    count = (uint16_t)(good[18] | good[19] << 8);
    taken = exhaust(&record, count);
    if (taken == 0 || taken == 256 * (length - DW_RECORD_HEAD - DW_RECORD_TAIL)) {
        fail("every change is taken, or none");
    }
    for (taken = 0; rounds != 0; rounds--) {
        memcpy(bytes, good, length);
        check_good(&record);
        change();
        rotten += read_all(count);
        if (dw_recipes_check(&record, steps) == DW_OK) {
            taken++;
            whole += read_all(count);
        } else {
            refused++;
        }
    }
    (void)printf("%lu %lu %lu %lu\n", refused, taken, whole, rotten);
    return 0;
}
