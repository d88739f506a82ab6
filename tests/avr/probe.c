/* A small program that lets the tests see each part of the simulated board. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

static volatile uint8_t ticks;

/* Port D counts ticks on its upper half; B0 follows the switch on C0, which has a pull-up; C1 has none. */
ISR(TIMER1_COMPA_vect) {
    PORTD = (uint8_t)(++ticks << 4);
    PORTB = (uint8_t)((PINC & 1) | (PINC & 2));
}

/* Echo plus one; 'E' writes the store, 'H' hangs, 'S' stalls for 10 ms. */
ISR(USART_RX_vect) {
    uint8_t byte = UDR0;
    while (!(UCSR0A & 1 << UDRE0)) continue;
    UDR0 = (uint8_t)(byte + 1);
    if (byte == 'E') GPIOR2 = 'E';
    if (byte == 'H')
        for (;;) continue;
    if (byte == 'S') {
        uint32_t cycles = 20000;
        while (cycles--) __asm__ volatile("nop");
    }
}

int main(void) {
    GPIOR2 = MCUSR;
    MCUSR = 0;
    wdt_enable(WDTO_60MS);
    DDRD = 0xF0;
    DDRB = 0x03;
    PORTC = 0x01;
    UCSR0A = 1 << U2X0;
    UBRR0 = 16;
    UCSR0B = 1 << RXEN0 | 1 << TXEN0 | 1 << RXCIE0;
    OCR1A = 15999;
    TIMSK1 = 1 << OCIE1A;
    TCCR1B = 1 << WGM12 | 1 << CS10;
    sei();
    for (;;) {
        if (GPIOR2 == 'E') {
            GPIOR2 = 0;
            eeprom_write_byte((uint8_t *)5, 0x42);
            eeprom_write_byte((uint8_t *)6, 0x43);
            GPIOR2 = eeprom_read_byte((uint8_t *)5);
        }
        wdt_reset();
        sleep_mode();
    }
}
