/* What vectors.S calls before anything else: outputs off, then the reason of the reset. */
#include <avr/io.h>
#include <avr/wdt.h>

#include "avr_port.h"
#include "dw_port.h"
#include "flags.h"
#include "machine.h"

#define MARK 0xD05Eu

static uint16_t mark __attribute__((section(".noinit")));
uint8_t avr_reset_reason __attribute__((section(".noinit")));

void avr_outputs_off(void);
void avr_keep_reason(uint8_t r2);

/* First the level that means off, then the direction: an output that rests high never sees a low. A pin that is
 * nobody's output gets its pull-up, so that no input floats. */
#define OFF(index, letter)                                                                            \
    PORT##letter = (uint8_t)(dw_rom8(&dw_port_idle[index]) | (uint8_t)~dw_rom8(&dw_port_owned[index])); \
    DDR##letter = dw_rom8(&dw_port_owned[index]);
#define OFF_IF_USED(index, letter, ...)  \
    if (index < DW_PORTS) {              \
        OFF(index, letter)               \
    }

void avr_outputs_off(void)
{
    CHIP_PORTS(OFF_IF_USED)
}

/* The watchdog may still run with its shortest time. A bootloader clears MCUSR; the usual one leaves it in r2. With
 * neither, power was never lost if the mark is still there: then somebody pulled the reset line. */
void avr_keep_reason(uint8_t r2)
{
    uint8_t reason = MCUSR;

    MCUSR = 0;
    wdt_enable(WDTO_120MS);
    wdt_reset();
    if (reason == 0) {
        reason = (r2 & AVR_NO_REASON) == 0 ? r2 : 0;
    }
    if (reason == 0 && mark == MARK) {
        reason = 1u << EXTRF;
    }
    mark = MARK;
    avr_reset_reason = reason;
}

/* The causes are numbered like their bits, and power comes first, for other bits may be set with it. A low supply comes
 * before the reset line. A bootloader that begins after the reset line was pulled and ends by the watchdog leaves both
 * bits, if it leaves any: the line then. */
uint8_t dw_port_reset_cause(void)
{
    uint8_t reason = avr_reset_reason;
    uint8_t cause;

    if ((reason & 1u << BORF) != 0) {
        reason &= (uint8_t)~(1u << EXTRF);
    }
    for (cause = DW_CAUSE_POWER; cause <= DW_CAUSE_WATCHDOG; cause++) {
        if ((reason & 1u) != 0) {
            return cause;
        }
        reason >>= 1;
    }
    return DW_CAUSE_UNKNOWN;
}
