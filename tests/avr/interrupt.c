/* What an interrupt costs: main marks every third cycle, or sleeps with -DASLEEP; the handler does nothing, or with
 * -DTELLS marks how many cycles ago the timer began anew. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

ISR(TIMER1_COMPA_vect, ISR_NAKED)
{
#ifdef TELLS
    __asm__ volatile("lds r24, %0\n\tout %1, r24" ::"i"(_SFR_MEM_ADDR(TCNT1L)), "I"(_SFR_IO_ADDR(GPIOR2)));
#endif
    __asm__ volatile("reti");
}

int main(void)
{
    OCR1A = 15999;
    TIMSK1 = 1 << OCIE1A;
    TCCR1B = 1 << WGM12 | 1 << CS10;
    SMCR = 1 << SE;
    sei();
    for (;;) {
#ifdef ASLEEP
        sleep_cpu();
#elif defined TELLS
        __asm__ volatile("nop");
#else
        GPIOR2 = 1;
#endif
    }
}
