/* What a tick and the planning of a pour cost on an ATmega328P: run by the simulator, which counts between marks.
 *
 * Each measurement tells what it was in GPIOR1: 1 a pour asked for, and its answer; 2 a tick; 3 the ticks of eight doses.
 */
#include <avr/io.h>

#include "dw_calibration.h"
#include "dw_engine.h"
#include "dw_number.h"
#include "dw_store.h"
#include "dw_trace.h"
#include "machine.h"
#include "no_link.h"

#define TICKS 400u
#define DOSES 8u

static uint8_t pins[DW_PORTS];

void dw_port_write(const uint8_t *image)
{
    uint8_t i;

    for (i = 0; i < DW_PORTS; i++) {
        pins[i] = (uint8_t)((pins[i] & (uint8_t)~dw_rom8(&dw_port_owned[i])) | (image[i] & dw_rom8(&dw_port_owned[i])));
    }
}

uint8_t dw_port_read(uint8_t port)
{
    return pins[port];
}

void dw_port_lock(void)
{
    __asm__ volatile("" ::: "memory");
}

void dw_port_unlock(void)
{
    __asm__ volatile("" ::: "memory");
}

/* An unused store: the table is in program memory, read by the same functions as from an EEPROM. */
uint8_t dw_port_store_read(dw_offset_t address)
{
    (void)address;
    return 0xFF;
}

bool dw_port_store_write(dw_offset_t address, uint8_t value)
{
    (void)address;
    (void)value;
    return false;
}

static void measure_tick(void)
{
    GPIOR2 = 1;
    dw_tick();
    GPIOR2 = 2;
    GPIOR1 = 2;
    GPIOR2 = 4;
}

/* As a pour does it: on-time and run-on of each dose from its calibration. */
static void measure_ticks_of_doses(void)
{
    static volatile uint32_t kept;
    dw_share_t share;
    uint8_t i;

    GPIOR2 = 1;
    dw_share_begin(&share, 1024ul * 250u, 250u);
    for (i = 0; i < DOSES; i++) {
        dw_calibration_t calibration;

        dw_calibration_get(dw_store_record(DW_CALIBRATION), i, &calibration);
        if (dw_calibration_is_sound(&calibration)) {
            kept = dw_dose_ticks(dw_share_next(&share, (uint16_t)(28u + i)), &calibration);
            kept = (uint32_t)dw_offset_ticks(&calibration);
        }
    }
    GPIOR2 = 2;
    GPIOR1 = 3;
    GPIOR2 = 4;
}

static void close_interlock(uint8_t index, bool closed)
{
    uint8_t port = dw_rom8(&dw_input_pins[index].port);
    uint8_t mask = dw_rom8(&dw_input_pins[index].mask);

    if (closed == (dw_rom8(&dw_input_pins[index].active_high) != 0)) {
        pins[port] |= mask;
    } else {
        pins[port] &= (uint8_t)~mask;
    }
}

int main(void)
{
    dw_answer_t answer;
    uint16_t i;

    dw_start(0);
    for (i = 0; i < DW_INTERLOCKS; i++) {
        close_interlock((uint8_t)i, true);
    }
    for (i = 0; i < 50; i++) {
        measure_tick();
    }
    measure_ticks_of_doses();
    GPIOR2 = 1;
    answer = dw_pour(1, 0);
    GPIOR2 = 2;
    GPIOR1 = 1;
    GPIOR1 = answer.reason;
    GPIOR2 = 4;
    for (i = 0; i < TICKS; i++) {
        if (i % 32u == 0) {
            (void)dw_trace_let_go((uint16_t)(dw_trace_first() + dw_trace_held()));
        }
        close_interlock(0, i < 20 || i > 30);
        if (i == 45 && dw_go_on().reason != DW_OK) {
            GPIOR1 = 99;
            GPIOR2 = 4;
        }
        measure_tick();
    }
    GPIOR2 = 3;
    for (;;) {
    }
}
