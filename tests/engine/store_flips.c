/* Bits of a stored record flipped, and how many of these pass the engine's check. Prints a count a line. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "dw_engine.h"
#include "dw_record.h"
#include "store_trial.h"

static dw_record_t flipped; /* lies in the store, at its start */

static void flip(unsigned bit)
{
    store[bit / 8] ^= (uint8_t)(1u << bit % 8);
}

static unsigned long passed;

static void judge(void)
{
    dw_record_t record = flipped;

    passed += dw_record_check(&record, DW_STORE_SIZE / 2) == DW_OK ? 1u : 0u;
}

/* Every set of up to three bits. */
static void flip_all(unsigned bits)
{
    unsigned long cases = 0;
    unsigned a, b, c;

    for (a = 0; a < bits; a++) {
        flip(a);
        judge();
        cases++;
        for (b = a + 1; b < bits; b++) {
            flip(b);
            judge();
            cases++;
            for (c = b + 1; c < bits; c++) {
                flip(c);
                judge();
                cases++;
                flip(c);
            }
            flip(b);
        }
        flip(a);
    }
    (void)printf("all of 1, 2 and 3 bits of %u: %lu cases, %lu passed\n", bits, cases, passed);
}

static void flip_some(unsigned bits, unsigned count, unsigned long cases)
{
    uint64_t random = 0x9E3779B97F4A7C15u + count;
    unsigned long i;

    for (i = 0; i < cases; i++) {
        unsigned chosen[4];
        unsigned n = 0;
        unsigned j;

        while (n < count) {
            random ^= random << 13;
            random ^= random >> 7;
            random ^= random << 17;
            chosen[n] = (unsigned)(random >> 32) % bits;
            for (j = 0; j < n && chosen[j] != chosen[n]; j++) {
            }
            n += j == n ? 1u : 0u;
        }
        for (j = 0; j < count; j++) {
            flip(chosen[j]);
        }
        judge();
        for (j = 0; j < count; j++) {
            flip(chosen[j]);
        }
    }
    (void)printf("%u of %u bits: %lu cases, %lu passed\n", count, bits, cases, passed);
}

static void put_record(uint8_t kind, const bytes_t *record)
{
    memset(store, 0xFF, sizeof store);
    memcpy(store, record->bytes, record->length);
    flipped.source = DW_FROM_STORE;
    flipped.kind = kind;
    flipped.base = 0;
    flipped.length = (dw_offset_t)record->length;
    passed = 0;
    judge();
    if (passed != 1) {
        fail("the record itself is refused", 0, 0);
    }
    passed = 0;
}

int main(int argc, char **argv)
{
    const bytes_t *record;
    unsigned count;
    uint8_t kind;

    read_records();
    if (argc != 3) {
        (void)printf("NAME, and how many cases (0: all of up to three bits)\n");
        return 2;
    }
    record = record_named(argv[1]);
    kind = (uint8_t)(argv[1][0] == 'R' ? DW_RECIPES : DW_CALIBRATION);
    if (strcmp(argv[2], "0") == 0) {
        put_record(kind, record);
        flip_all(8 * record->length);
        return 0;
    }
    for (count = 1; count <= 4; count++) {
        put_record(kind, record);
        flip_some(8 * record->length, count, strtoul(argv[2], NULL, 10));
    }
    return 0;
}
