/* The controller's program: the tick runs by interrupt, everything else here, over and over. */
#include <avr/interrupt.h>
#include <avr/sleep.h>

#include "avr_port.h"
#include "dw_engine.h"

int main(void)
{
    dw_start(0);
    avr_serial_start();
    avr_tick_start();
    SMCR = 1u << SE; /* idle: the timer and the serial line go on */
    sei();
    for (;;) {
        dw_poll();
        sleep_cpu(); /* until the next tick or byte */
    }
}
