#include "store_trial.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "no_link.h"

uint8_t store[DW_STORE_SIZE];
unsigned long store_written[DW_STORE_SIZE];
unsigned long store_writes_to_cut; /* 0: power stays */
int store_torn_to;
dw_offset_t store_stuck_at;
jmp_buf store_power;

void dw_port_write(const uint8_t *image)
{
    (void)image;
}

uint8_t dw_port_read(uint8_t port)
{
    (void)port;
    return 0xFF;
}

void dw_port_lock(void)
{
}

void dw_port_unlock(void)
{
}

uint8_t dw_port_store_read(dw_offset_t address)
{
    return store[address];
}

bool dw_port_store_write(dw_offset_t address, uint8_t value)
{
    if (store_writes_to_cut == 1) {
        store_writes_to_cut = 0;
        store[address] = store_torn_to == TORN_OLD ? store[address] : (uint8_t)store_torn_to;
        longjmp(store_power, 1);
    }
    store_writes_to_cut -= store_writes_to_cut != 0 ? 1u : 0u;
    if (address != store_stuck_at) {
        store[address] = value;
    }
    store_written[address]++;
    return true;
}

/* Records by name, as they came in. */
static struct {
    char name[16];
    bytes_t value;
} given[16];
static unsigned given_count;

const bytes_t *record_named(const char *name)
{
    unsigned i;

    for (i = 0; i < given_count; i++) {
        if (strcmp(given[i].name, name) == 0) {
            return &given[i].value;
        }
    }
    (void)printf("no record %s\n", name);
    exit(2);
}

void read_records(void)
{
    static char hex[2u * RECORD_MAX + 1u];

    while (given_count < 16 && scanf("%15s %2048s", given[given_count].name, hex) == 2) {
        bytes_t *value = &given[given_count].value;
        unsigned byte;

        for (value->length = 0; sscanf(hex + 2u * value->length, "%2x", &byte) == 1; value->length++) {
            value->bytes[value->length] = (uint8_t)byte;
        }
        given_count++;
    }
}

void fail(const char *what, unsigned long nth, int torn)
{
    (void)printf("failed: %s, write %lu torn to %d\n", what, nth, torn);
    exit(1);
}
