/* The tick: an interrupt that writes what was armed before it does anything else, and then decides what comes next.
 *
 * The interrupt is never held off for longer than a few cycles. Where the main program must not be disturbed it
 * takes the lock; then the pins still change in time, and what has to be decided is decided when it lets go.
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <stdbool.h>

#include "avr_port.h"
#include "dw_engine.h"
#include "dw_state.h"
#include "flags.h"
#include "machine.h"

#define TICK_CYCLES ((uint32_t)(F_CPU / 1000000ul) * DW_TICK_US)
#if DW_TICK_US < 1000u || DW_TICK_US > 10000u
#error "this controller does ticks of 1 ms to 10 ms"
#endif
#define PRESCALER (DW_TICK_US > 4000u ? 8u : 1u) /* 16 bits must hold the cycles of a tick */
#define TICKS_OWED_MAX 2u                        /* more would be a hung engine */

/* The image that the next tick writes, by the index of the port; bits that are nobody's output hold their pull-up. */
uint8_t avr_armed[CHIP_PORT_COUNT];

static volatile uint8_t owed; /* ticks to be decided */
static volatile bool missed;  /* a tick came too early to be kept: nothing feeds the watchdog any more */
static volatile uint8_t count;
static uint8_t fed;

void avr_tick_start(void)
{
    dw_output_write();
    OCR1A = (uint16_t)(TICK_CYCLES / PRESCALER - 1u);
    TIMSK1 = 1u << OCIE1A;
    TCCR1B = (uint8_t)(1u << WGM12 | (PRESCALER == 8u ? 1u << CS11 : 1u << CS10));
}

/* Decides what is owed, with interrupts on. Called with the lock taken and interrupts off; leaves both off. */
static void decide(void)
{
    while (owed != 0) {
        owed--;
        sei();
        dw_tick();
        dw_output_write();
        cli();
    }
    GPIOR0 &= (uint8_t)~(1u << AVR_LOCKED);
}

/* The rest of the interrupt that begins in vectors.S; and of a tick that came while the serial handler was at work, when
 * that has ended. */
void avr_tick_rest(void)
{
    if ((GPIOR0 & (1u << AVR_SERIAL_WORKS | 1u << AVR_TICK_WAITS)) == 1u << AVR_TICK_WAITS) {
        GPIOR0 &= (uint8_t)~(1u << AVR_TICK_WAITS); /* counted already */
    } else {
        count++;
        if (owed == TICKS_OWED_MAX) {
            missed = true;
            return;
        }
        owed++;
        if ((GPIOR0 & 1u << AVR_SERIAL_WORKS) != 0) {
            GPIOR0 |= 1u << AVR_TICK_WAITS;
            return;
        }
    }
    if ((GPIOR0 & 1u << AVR_LOCKED) == 0) {
        GPIOR0 |= 1u << AVR_LOCKED;
        decide();
    }
}

void dw_port_lock(void)
{
    GPIOR0 |= 1u << AVR_LOCKED;
    __asm__ volatile("" ::: "memory");
}

void dw_port_unlock(void)
{
    __asm__ volatile("" ::: "memory");
    cli();
    decide();
    sei();
}

/* Called in the tick right before it decides and right after: the second time it is the image for the next tick. */
#define ARM(index, letter, ...)                                                                \
    if ((DW_OUTPUT_PORTS >> index & 1) != 0) {                                                 \
        avr_armed[index] = (uint8_t)(image[index] | (uint8_t)~dw_rom8(&dw_port_owned[index])); \
    }

void dw_port_write(const uint8_t *image)
{
    CHIP_PORTS(ARM)
}

#define READ(index, letter, ...) \
    case index:                  \
        return PIN##letter;

uint8_t dw_port_read(uint8_t port)
{
    switch (port) {
        CHIP_PORTS(READ)
    default:
        return 0xFFu;
    }
}

void avr_feed(void)
{
    uint8_t now = count;

    if (now != fed && !missed) {
        fed = now;
        wdt_reset();
    }
}

void dw_port_alive(void)
{
    avr_feed();
}
