/* USART 0. One handler for both directions, in vectors.S; while it works its own sources are masked and every other
 * interrupt is let in, so that it delays the tick by a dozen cycles only.
 */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "avr_port.h"
#include "dw_port.h"

#define RX_SIZE 32u /* powers of two */
#define TX_SIZE 32u
#define LISTEN (1u << RXEN0 | 1u << TXEN0)
#define DIVIDER ((F_CPU + 4ul * 115200ul) / (8ul * 115200ul) - 1ul)

static volatile uint8_t rx[RX_SIZE];
static volatile uint8_t rx_in, rx_out;
static volatile uint8_t tx[TX_SIZE];
static volatile uint8_t tx_in, tx_out;

void avr_serial_start(void)
{
    UCSR0A = 1u << U2X0;
    UBRR0 = (uint16_t)DIVIDER;
    UCSR0C = 1u << UCSZ01 | 1u << UCSZ00;
    UCSR0B = LISTEN | 1u << RXCIE0;
}

/* Moves what there is to move; leaves in GPIOR1 what UCSR0B is to be. A byte without room is lost: the link's CRC
 * finds out. */
void avr_serial_move(void);
void avr_serial_move(void)
{
    uint8_t in = rx_in;
    uint8_t out = tx_out;

    while ((UCSR0A & 1u << RXC0) != 0) {
        uint8_t byte = UDR0;

        if ((uint8_t)(in - rx_out) < RX_SIZE) {
            rx[in & (RX_SIZE - 1u)] = byte;
            in++;
        }
    }
    rx_in = in;
    while (out != tx_in && (UCSR0A & 1u << UDRE0) != 0) {
        UDR0 = tx[out & (TX_SIZE - 1u)];
        out++;
    }
    tx_out = out;
    GPIOR1 = (uint8_t)(LISTEN | 1u << RXCIE0 | (out != tx_in ? 1u << UDRIE0 : 0u));
}

bool dw_port_receive(uint8_t *byte)
{
    uint8_t out = rx_out;

    if (out == rx_in) {
        return false;
    }
    *byte = rx[out & (RX_SIZE - 1u)];
    rx_out = (uint8_t)(out + 1u);
    return true;
}

bool dw_port_send(uint8_t byte)
{
    uint8_t in = tx_in;
    uint8_t flags;

    if ((uint8_t)(in - tx_out) >= TX_SIZE) {
        return false;
    }
    tx[in & (TX_SIZE - 1u)] = byte;
    tx_in = (uint8_t)(in + 1u);
    flags = SREG;
    cli();
    UCSR0B = (uint8_t)(LISTEN | 1u << RXCIE0 | 1u << UDRIE0);
    SREG = flags;
    return true;
}
