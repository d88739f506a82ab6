/* The chip of readers.c: puts a record from standard input into its EEPROM, changes each bit of its body, then
 * bytes of it at random, and watches that nothing else is read. Prints how many recipes were
 * read whole, and how many could not be.
 *
 *     rot program.elf chip rounds < record
 */
#include <simavr/avr_eeprom.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "readers.h"

#define GPIOR2 0x4B
#define EECR 0x3F
#define EEARL 0x41
#define EERE 1u
#define HEAD 16u /* of a record */
#define TAIL 4u

static uint8_t good[4096];
static uint32_t length;
static unsigned long rounds, whole, broken;
static bool ended;

static uint32_t chance(uint32_t below)
{
    static uint32_t state = 1;

    state ^= state << 13;
    state ^= state >> 17;
    state ^= state << 5;
    return state % below;
}

static void put(avr_t *avr, uint8_t *bytes, uint32_t at, uint32_t count)
{
    avr_eeprom_desc_t part = { .ee = bytes, .offset = (uint16_t)(STORE_AT + at), .size = count };

    avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &part);
}

static void change(avr_t *avr)
{
    static uint32_t bit = 8u * HEAD;
    uint32_t changes = 1 + chance(4);

    if (bit < 8u * (length - TAIL)) {
        uint8_t byte = (uint8_t)(good[bit / 8u] ^ 1u << bit % 8u);

        put(avr, &byte, bit / 8u, 1);
        bit++;
        return;
    }
    for (; changes != 0; changes--) {
        uint32_t at = HEAD + chance(length - HEAD - TAIL);
        uint8_t byte = (uint8_t)(chance(2) != 0 ? chance(256) : good[at] ^ 1u << chance(8));

        put(avr, &byte, at, 1);
    }
}

static void fail(const char *what)
{
    printf("%s, %lu rounds before the end\n", what, rounds);
    exit(1);
}

static void on_mark(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)address;
    (void)param;
    switch (value) {
    case NEW:
        ended = rounds == 0;
        rounds--;
        put(avr, good, 0, length);
        break;
    case ROTTEN:
        change(avr);
        break;
    case REFUSED:
        fail("the record as it was made is refused");
        break;
    case DIFFERENT:
        fail("a recipe is read in two ways");
        break;
    default:
        whole += value == WHOLE;
        broken += value == BROKEN;
        break;
    }
}

static void on_read(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    uint32_t at = avr->data[EEARL] | (uint32_t)avr->data[EEARL + 1] << 8;

    (void)address;
    (void)param;
    if ((value & EERE) != 0 && (at < STORE_AT + HEAD || at >= STORE_AT + length - TAIL)) {
        fail("a read outside the body");
    }
}

int main(int argc, char **argv)
{
    elf_firmware_t firmware = { 0 };
    avr_t *avr = argc == 4 ? avr_make_mcu_by_name(argv[2]) : NULL;

    if (avr == NULL || elf_read_firmware(argv[1], &firmware) != 0) {
        return 2;
    }
    rounds = strtoul(argv[3], NULL, 10);
    length = (uint32_t)fread(good, 1, sizeof good, stdin);
    avr_init(avr);
    avr->frequency = 16000000;
    avr_load_firmware(avr, &firmware);
    avr_register_io_write(avr, GPIOR2, on_mark, NULL);
    avr_register_io_write(avr, EECR, on_read, NULL);
    while (!ended) {
        int state = avr_run(avr);

        if (state == cpu_Done || state == cpu_Crashed) {
            fail("the program ended");
        }
    }
    printf("%lu %lu\n", whole, broken);
    return 0;
}
