/* The EEPROM. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/delay.h>

#include "avr_port.h"
#include "dw_port.h"

#define STEP_US 20u
#define STEPS_MAX 500u /* 10 ms: three times what a byte takes */

/* Waits for the byte that is being written; false when it never ends. */
static bool settle(void)
{
    uint16_t steps;

    for (steps = 0; (EECR & 1u << EEPE) != 0; steps++) {
        if (steps == STEPS_MAX) {
            return false;
        }
        _delay_us(STEP_US);
    }
    return true;
}

uint8_t dw_port_store_read(dw_offset_t address)
{
    if (!settle()) {
        return 0xFFu;
    }
    EEAR = address;
    EECR |= 1u << EERE;
    return EEDR;
}

/* An upload keeps the main loop here for a while; the watchdog is fed by the same rule. */
bool dw_port_store_write(dw_offset_t address, uint8_t value)
{
    uint8_t flags;

    avr_feed();
    if (!settle()) {
        return false;
    }
    EEAR = address;
    EEDR = value;
    flags = SREG;
    cli(); /* the two writes must be within four cycles */
    EECR = 1u << EEMPE;
    EECR |= 1u << EEPE;
    SREG = flags;
    return settle();
}
