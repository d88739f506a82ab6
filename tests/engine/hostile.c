/* The engine of the cart among hostile bytes, with a store, a serial line and pins that are plain memory.
 *
 *   hostile rot RECIPES CALIBRATION           every byte of the stored records takes every value after they were checked
 *   hostile mutate SEED COUNT RECIPES CALIBRATION   records with random slips and a CRC that fits are uploaded and poured
 *   hostile flood SEED COUNT RECIPES CALIBRATION    so many bytes arrive while it pours; an output must not care
 *
 * Records in hex. Prints figures, each a word and a number; ends with 1 and a message where a promise is broken. The
 * sanitisers watch what lies outside.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "dw_crc.h"
#include "dw_engine.h"
#include "dw_store.h"
#include "machine.h"
#include "noise.h"

#define RECORD_MOST 1024u
#define TICKS_MOST 2000u
#define VESSEL 0x02u
#define GUARD 0x04u
#define STOP_BUTTON 0x20u
#define LAMP 2u /* output */
#define UNIT_AT (DW_RECORD_HEAD + 6u) /* of the stages' time, in the recipes */
#define SHIFT_AT (DW_RECORD_HEAD + 16u + 1u + 4u) /* of channel 0, in the calibration */

static uint8_t store[DW_STORE_SIZE];
static uint8_t pins[DW_PORTS];
static uint8_t line[512];
static unsigned line_length, line_read;
static unsigned frames_sent;
static uint8_t records[DW_KINDS][RECORD_MOST];
static unsigned lengths[DW_KINDS];

static void expect(bool holds, const char *promise)
{
    if (!holds) {
        (void)fprintf(stderr, "broken: %s\n", promise);
        exit(1);
    }
}

void dw_port_write(const uint8_t *image)
{
    unsigned i;

    for (i = 0; i < DW_PORTS; i++) {
        pins[i] = (uint8_t)((pins[i] & (uint8_t)~dw_port_owned[i]) | (image[i] & dw_port_owned[i]));
    }
}

uint8_t dw_port_read(uint8_t port)
{
    return pins[port];
}

void dw_port_lock(void)
{
}

void dw_port_unlock(void)
{
}

bool dw_port_receive(uint8_t *byte)
{
    if (line_read == line_length) {
        return false;
    }
    *byte = line[line_read];
    line_read++;
    return true;
}

bool dw_port_send(uint8_t byte)
{
    frames_sent += byte == 0 ? 1u : 0u;
    return true;
}

uint8_t dw_port_store_read(dw_offset_t address)
{
    expect(address < DW_STORE_SIZE, "nothing outside the store is read");
    return store[address];
}

bool dw_port_store_write(dw_offset_t address, uint8_t value)
{
    expect(address < DW_STORE_SIZE, "nothing outside the store is written");
    store[address] = value;
    return true;
}

void dw_port_alive(void)
{
}

uint8_t dw_port_reset_cause(void)
{
    return DW_CAUSE_POWER;
}

static void run(unsigned ticks)
{
    while (ticks != 0) {
        dw_tick();
        dw_poll();
        ticks--;
    }
}

static void set_pin(uint8_t mask, bool high)
{
    pins[1] = (uint8_t)(high ? pins[1] | mask : pins[1] & (uint8_t)~mask);
}

/* A vessel taken away and put back, so that the next pour may come. */
static void change_vessel(void)
{
    dw_stop();
    set_pin(VESSEL, true);
    run(25);
    set_pin(VESSEL, false);
    run(25);
}

static uint8_t upload(uint8_t kind)
{
    const uint8_t *record = records[kind];
    unsigned length = lengths[kind];
    uint32_t crc = record[length - 4u] | (uint32_t)record[length - 3u] << 8 | (uint32_t)record[length - 2u] << 16 |
                   (uint32_t)record[length - 1u] << 24;
    unsigned at;

    if (dw_store_begin(kind, length).reason != DW_OK) {
        return DW_BAD_LENGTH;
    }
    for (at = 0; at < length; at++) {
        expect(dw_store_chunk(at, record + at, 1).reason == DW_OK, "a chunk is taken");
    }
    return dw_store_commit(crc).reason;
}

static void begin(void)
{
    memset(store, 0xFF, sizeof store);
    memset(pins, 0xFF, sizeof pins);
    set_pin(VESSEL | GUARD, false);
    dw_start(0xFFFFFF00u);
    expect(upload(DW_RECIPES) == DW_OK && upload(DW_CALIBRATION) == DW_OK, "good records are taken");
    run(30);
}

/* What holds for every pour that is accepted, whatever the records say. */
static unsigned pour_all(bool to_the_end)
{
    static const uint16_t numbers[] = { 0, 1, 2, 3, 7, 255, 65535 };
    unsigned accepted = 0;
    unsigned i;

    for (i = 0; i < 3u * sizeof numbers / sizeof numbers[0]; i++) {
        dw_booked_t step;
        uint8_t steps;

        if (dw_pour(numbers[i / 3u], (uint8_t)(i % 3u)).reason != DW_OK) {
            continue;
        }
        accepted++;
        for (steps = 0; dw_get_booked(steps, &step); steps++) {
            expect(step.output < DW_OUTPUTS, "a step's output exists");
            expect(step.planned != 0 && step.planned <= dw_outputs[step.output].max_on, "no step is longer than max on");
        }
        expect(steps != 0 && steps <= DW_STEPS_MAX, "there are as many steps as there is room for");
        if (to_the_end) {
            run(40);
            change_vessel();
        } else {
            dw_stop();
            run(1);
        }
    }
    return accepted;
}

static void rot(void)
{
    unsigned accepted = 0;
    unsigned tried = 0;
    uint8_t kind;

    begin();
    {
        uint8_t *shift = store + dw_store_record(DW_CALIBRATION)->base + SHIFT_AT;
        uint8_t good = *shift;

        *shift = 0;
        expect(dw_pour(1, 0).reason == DW_BAD_RECORD, "numbers that there cannot be are not computed with");
        *shift = good;
    }
    {
        uint8_t *unit = store + dw_store_record(DW_RECIPES)->base + UNIT_AT;
        uint8_t good = *unit;
        dw_answer_t answer;

        *unit = 0;
        answer = dw_pour(7, 0);
        expect(answer.reason == DW_DOSE_TOO_SMALL && answer.argument == LAMP, "a stage of no time is not poured");
        *unit = good;
    }
    for (kind = 0; kind < DW_KINDS; kind++) {
        const dw_record_t *record = dw_store_record(kind);
        unsigned at;

        for (at = record->base; at < record->base + record->length; at++) {
            uint8_t good = store[at];
            unsigned value;

            for (value = 0; value < 256; value++) {
                store[at] = (uint8_t)value;
                accepted += pour_all(value % 16u == 0);
                tried++;
            }
            store[at] = good;
        }
    }
    (void)printf("tried %u\naccepted %u\n", tried, accepted);
}

static void reseal(uint8_t *record, unsigned length)
{
    uint32_t crc = DW_CRC32_START;
    unsigned i;

    for (i = 0; i < length - 4u; i++) {
        crc = dw_crc32(crc, record[i]);
    }
    crc = ~crc;
    for (i = 0; i < 4; i++) {
        record[length - 4u + i] = (uint8_t)(crc >> 8 * i & 0xFFu);
    }
}

static void mutate(uint32_t count)
{
    static uint8_t good[DW_KINDS][RECORD_MOST];
    unsigned taken = 0;
    unsigned accepted = 0;
    uint32_t i;

    memcpy(good, records, sizeof good);
    begin();
    for (i = 0; i < count; i++) {
        uint8_t kind = (uint8_t)noise_below(DW_KINDS);
        uint32_t slips = 1u + noise_below(4);
        uint8_t reason;

        while (slips != 0) {
            /* behind the head, which the tests of the tables go through byte by byte */
            uint32_t value = noise_below(noise_below(2) == 0 ? 256u : 8u);

            records[kind][16u + noise_below(lengths[kind] - 20u)] = (uint8_t)value;
            slips--;
        }
        reseal(records[kind], lengths[kind]);
        reason = upload(kind);
        expect(reason == DW_OK || reason == DW_BAD_RECORD || reason == DW_OUT_OF_RANGE || reason == DW_WRONG_UNIT,
               "a record is taken or refused with its reason");
        taken += reason == DW_OK ? 1u : 0u;
        accepted += pour_all(false);
        memcpy(records, good, sizeof good);
        if (reason == DW_OK) {
            begin();
        }
    }
    (void)printf("tried %u\ntaken %u\naccepted %u\n", (unsigned)count, taken, accepted);
}

static void arrive(void)
{
    line_read = 0;
    line_length = noise_arrives(line, sizeof line);
}

/* One pour of recipe 1, with or without bytes that arrive; its outputs tick by tick. */
static uint32_t pour(uint8_t *outputs, bool flooded, uint32_t bytes)
{
    uint32_t arrived = 0;
    uint32_t tick;

    line_read = 0;
    line_length = 0;
    run(2);
    expect(dw_pour(1, 0).reason == DW_OK, "a pour is accepted");
    for (tick = 0; tick < TICKS_MOST; tick++) {
        unsigned before = frames_sent;

        if (flooded && line_read == line_length) {
            arrive();
            arrived += line_length;
        }
        dw_tick();
        outputs[tick] = dw_outputs_on(0);
        dw_poll();
        expect(frames_sent - before <= 1u, "the main loop answers one request a pass");
        if (arrived >= bytes && flooded) {
            flooded = false;
        }
    }
    return arrived;
}

static void flood(uint32_t count)
{
    static uint8_t alone[TICKS_MOST];
    static uint8_t flooded[TICKS_MOST];
    uint32_t arrived = 0;
    unsigned pours = 0;

    begin();
    (void)pour(alone, false, 0);
    expect(memchr(alone, 1, sizeof alone) != NULL, "something is poured");
    while (arrived < count) {
        change_vessel();
        arrived += pour(flooded, true, count);
        pours++;
        expect(memcmp(alone, flooded, sizeof alone) == 0, "bytes that arrive move no edge");
    }
    /* the stop button is heard through it */
    change_vessel();
    expect(dw_pour(1, 0).reason == DW_OK, "a pour is accepted");
    set_pin(STOP_BUTTON, false);
    for (pours = pours * 10u; dw_outputs_on(0) != 0 || pours % 10u < 9u; pours++) {
        arrive();
        dw_tick();
        dw_poll();
        expect(pours % 1000u != 999u, "a button is served whatever arrives");
    }
    (void)printf("bytes %lu\nframes %u\n", (unsigned long)arrived, frames_sent);
}

static unsigned from_hex(const char *hex, uint8_t *bytes)
{
    unsigned length;
    unsigned byte;

    for (length = 0; length < RECORD_MOST && sscanf(hex + 2u * length, "%2x", &byte) == 1; length++) {
        bytes[length] = (uint8_t)byte;
    }
    return length;
}

int main(int argc, char **argv)
{
    if (argc < 4) {
        return 2;
    }
    lengths[DW_RECIPES] = from_hex(argv[argc - 2], records[DW_RECIPES]);
    lengths[DW_CALIBRATION] = from_hex(argv[argc - 1], records[DW_CALIBRATION]);
    noise_seed(argc == 6 ? (uint32_t)strtoul(argv[2], NULL, 10) : 1u);
    if (strcmp(argv[1], "rot") == 0) {
        rot();
    } else if (strcmp(argv[1], "mutate") == 0) {
        mutate((uint32_t)strtoul(argv[3], NULL, 10));
    } else {
        flood((uint32_t)strtoul(argv[3], NULL, 10));
    }
    return 0;
}
