/* Runs an AVR program on the simulator and reports, between writes to two general purpose registers, the cycles
 * that went by and the deepest stack: GPIOR2 = 1 starts a measurement, 2 ends it, 3 ends the run; each byte written
 * to GPIOR1 is part of the answer. One line a measurement: cycles, bytes of stack, answer in hex.
 *
 *     runner program.elf
 */
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>

#define GPIOR2 0x4B
#define GPIOR1 0x4A
#define CYCLES_MAX 400000000u

static bool measuring;
static bool ended;
static avr_cycle_count_t start;
static uint16_t stack_at_start;
static uint16_t stack_lowest;

static uint16_t stack_pointer(const avr_t *avr) { return (uint16_t)(avr->data[R_SPL] | avr->data[R_SPH] << 8); }

static void on_mark(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    avr->data[address] = value;
    if (value == 1) {
        start = avr->cycle;
        stack_at_start = stack_lowest = stack_pointer(avr);
        measuring = true;
    } else if (value == 2) {
        printf("%llu %u ", (unsigned long long)(avr->cycle - start), stack_at_start - stack_lowest);
        measuring = false;
    } else if (value == 3) {
        ended = true;
    } else if (value == 4) {
        printf("\n");
    }
}

static void on_answer(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    avr->data[address] = value;
    printf("%02x", value);
}

int main(int argc, char **argv)
{
    elf_firmware_t firmware = {0};
    if (argc != 2 || elf_read_firmware(argv[1], &firmware) != 0) {
        fprintf(stderr, "usage: runner program.elf\n");
        return 2;
    }
    avr_t *avr = avr_make_mcu_by_name("atmega328p");
    if (avr == NULL) {
        return 2;
    }
    avr_init(avr);
    avr->frequency = 16000000;
    avr_load_firmware(avr, &firmware);
    avr_register_io_write(avr, GPIOR2, on_mark, NULL);
    avr_register_io_write(avr, GPIOR1, on_answer, NULL);
    while (!ended) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed || avr->cycle > CYCLES_MAX) {
            fprintf(stderr, "the program did not end by itself\n");
            return 1;
        }
        if (measuring && stack_pointer(avr) < stack_lowest) {
            stack_lowest = stack_pointer(avr);
        }
    }
    return 0;
}
