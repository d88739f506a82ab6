/* The UART, byte by byte as the data sheet has it, in place of libsimavr's.
 *
 * libsimavr counts a parity bit that is not there, keeps 64 received bytes where the chip keeps two and one in the
 * shift register, tells of a sent byte before it is on the wire, and never hears a wrong baud.
 */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"

enum { RXC = 0x80, TXC = 0x40, UDRE = 0x20, FE = 0x10, DOR = 0x08, U2X = 0x02, MPCM = 0x01 };
enum { RXCIE = 0x80, TXCIE = 0x40, UDRIE = 0x20, RXEN = 0x10, TXEN = 0x08 };
enum { QUEUE = 1 << 20, LINE = 4096 };

static avr_uart_t *uart;
static uint8_t *status, *control;

static uint8_t received[3]; /* two bytes of buffer, one in the shift register */
static unsigned unread;
static uint8_t *queue; /* bytes on their way from the harness */
static size_t queue_head, queue_count;
static bool arriving, heard;    /* a byte is on the wire; its start bit found room */
static uint64_t line_free;      /* cycle at which the wire from the harness is free */
static uint8_t *traffic;        /* bytes to repeat for ever */
static size_t traffic_count, traffic_at;
static uint64_t traffic_gap;

static uint8_t shifting, waiting;
static bool tx_busy, tx_waiting;
static uint8_t sent[LINE]; /* bytes that reached the harness and were not told yet */
static size_t sent_count;

/* Cycles that a bit of the harness lasts, as this board's clock sees them. */
static double host_bit(void) { return (double)board.hz * (1 + board.ppm * 1e-6) / board.baud; }

static double own_bit(void) {
    unsigned divider = (board.avr->data[uart->ubrrl.reg] | (board.avr->data[uart->ubrrh.reg] & 15u) << 8) + 1;
    return (*status & U2X ? 8.0 : 16.0) * divider;
}

/* Start, data, parity and stop bits of a character as configured. */
static unsigned own_bits(void) {
    uint8_t frame = board.avr->data[uart->r_ucsrc];
    return 1 + 5 + (frame >> 1 & 3u) + (frame & 0x30 ? 1u : 0u) + 1 + (frame >> 3 & 1u);
}

static void raise(avr_int_vector_t *vector, uint8_t flag, uint8_t enable) {
    *status |= flag;
    if (*control & enable) avr_raise_interrupt(board.avr, vector);
}

static uint8_t read_data(avr_t *avr, avr_io_addr_t address, void *param) {
    (void)param;
    if (!unread) return avr->data[address];
    uint8_t value = received[0];
    memmove(received, received + 1, --unread);
    *status &= (uint8_t) ~(DOR | FE);
    if (unread)
        raise(&uart->rxc, RXC, RXCIE);
    else {
        *status &= (uint8_t)~RXC;
        avr_clear_interrupt(avr, &uart->rxc);
    }
    return avr->data[address] = value;
}

static void send_next(uint8_t value) {
    shifting = value;
    tx_busy = true;
    schedule(DUE_TX, board.avr->cycle + (uint64_t)(own_bit() * own_bits()));
}

static void write_data(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    (void)address;
    (void)param;
    if (!(*control & TXEN)) return;
    if (tx_waiting) {
        board.counts.tx_lost++;
        return;
    }
    *status &= (uint8_t)~TXC;
    if (!tx_busy) {
        send_next(value);
        raise(&uart->udrc, UDRE, UDRIE);
        return;
    }
    waiting = value;
    tx_waiting = true;
    *status &= (uint8_t)~UDRE;
    avr_clear_interrupt(avr, &uart->udrc);
}

static void write_status(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    (void)avr;
    (void)address;
    (void)param;
    uint8_t flags = *status & (RXC | TXC | UDRE | FE | DOR);
    if (value & TXC) flags &= (uint8_t)~TXC;
    *status = (uint8_t)(flags | (value & (U2X | MPCM)));
}

/* Interrupts of the UART follow levels: enabling one whose flag is up fires it. */
static void write_control(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    (void)param;
    avr->data[address] = value;
    if (*status & RXC) raise(&uart->rxc, RXC, RXCIE);
    if (*status & UDRE) raise(&uart->udrc, UDRE, UDRIE);
    if (*status & TXC) raise(&uart->txc, TXC, TXCIE);
    if (!(value & RXEN)) {
        unread = 0;
        *status &= (uint8_t)~RXC;
    }
}

static void write_plain(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param) {
    (void)param;
    avr->data[address] = value;
}

void serial_attach(void) {
    avr_t *avr = board.avr;
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, "uart") && ((avr_uart_t *)io)->name == '0') uart = (avr_uart_t *)io;
    status = &avr->data[uart->r_ucsra];
    control = &avr->data[uart->r_ucsrb];
    avr->io[AVR_DATA_TO_IO(uart->r_udr)].r.c = read_data;
    avr->io[AVR_DATA_TO_IO(uart->r_udr)].w.c = write_data;
    avr->io[AVR_DATA_TO_IO(uart->r_ucsra)].r.c = NULL;
    avr->io[AVR_DATA_TO_IO(uart->r_ucsra)].w.c = write_status;
    avr->io[AVR_DATA_TO_IO(uart->r_ucsrb)].w.c = write_control;
    avr->io[AVR_DATA_TO_IO(uart->ubrrl.reg)].w.c = write_plain;
    queue = malloc(QUEUE);
}

void serial_reset(void) {
    unread = 0;
    tx_busy = tx_waiting = false;
    schedule(DUE_TX, 0);
    *status = UDRE;
    board.avr->data[uart->r_ucsrc] = 0x06;
}

static void start_next(void) {
    if (!queue_count && traffic_count) {
        queue[queue_head] = traffic[traffic_at];
        queue_count = 1;
        traffic_at = (traffic_at + 1) % traffic_count;
        uint64_t ready = line_free > board.avr->cycle ? line_free : board.avr->cycle;
        line_free = ready + (traffic_gap ? draw() % traffic_gap : 0);
    }
    if (!queue_count || arriving) return;
    schedule(DUE_RX, line_free > board.avr->cycle ? line_free : board.avr->cycle + 1);
}

bool serial_send(const uint8_t *bytes, size_t count) {
    if (queue_count + count > QUEUE) return false;
    for (size_t i = 0; i < count; i++) queue[(queue_head + queue_count++) % QUEUE] = bytes[i];
    if (!arriving && !board.due[DUE_RX]) start_next();
    return true;
}

/* Repeats these bytes for ever, each after a random gap below `gap` cycles, so that nothing locks in phase. */
void serial_traffic(const uint8_t *bytes, size_t count, uint64_t gap) {
    free(traffic);
    traffic = malloc(count ? count : 1);
    memcpy(traffic, bytes, count);
    traffic_count = count;
    traffic_at = 0;
    traffic_gap = gap;
    if (count && !arriving && !board.due[DUE_RX]) start_next();
}

/* First the start bit, then, in the middle of the stop bit, the byte. */
void serial_rx_due(void) {
    bool listening = board.powered && *control & RXEN;
    uint64_t now = board.avr->cycle;
    if (!arriving) {
        arriving = true;
        heard = listening && unread < 3;
        if (listening && !heard) {
            board.counts.overruns++;
            *status |= DOR;
        }
        if (!listening) board.counts.deaf++;
        uint64_t start = board.due[DUE_RX];
        line_free = start + (uint64_t)(10 * host_bit());
        schedule(DUE_RX, start + (uint64_t)(9.5 * host_bit()));
        return;
    }
    arriving = false;
    board.counts.bytes++;
    schedule(DUE_RX, 0);
    uint8_t value = queue[queue_head];
    queue_head = (queue_head + 1) % QUEUE;
    queue_count--;
    if (heard && listening) {
        if (fabs(own_bit() / host_bit() - 1) > 0.045) { /* the last bits are sampled beside themselves */
            board.counts.framing++;
            value = (uint8_t)(value << 1 ^ 0xA5);
            *status |= FE;
        }
        received[unread++] = value;
        raise(&uart->rxc, RXC, RXCIE);
    }
    if (line_free < now) line_free = now;
    start_next();
}

void serial_tx_due(void) {
    schedule(DUE_TX, 0);
    if (fabs(own_bit() / host_bit() - 1) > 0.045) {
        board.counts.framing++;
        shifting ^= 0xA5;
    }
    sent[sent_count++] = shifting;
    if (sent_count == LINE) serial_flush();
    if (!shifting && board.until_frame && !board.frame_end) board.frame_end = board.avr->cycle;
    if (tx_waiting) {
        tx_waiting = false;
        send_next(waiting);
        raise(&uart->udrc, UDRE, UDRIE);
    } else {
        tx_busy = false;
        raise(&uart->txc, TXC, TXCIE);
    }
}

/* Tells the harness what reached it; called before any other event, so that the order in time is kept. */
void serial_flush(void) {
    if (!sent_count) return;
    fputs("tx ", board.control);
    for (size_t i = 0; i < sent_count; i++) fprintf(board.control, "%02x", sent[i]);
    fputc('\n', board.control);
    sent_count = 0;
}
