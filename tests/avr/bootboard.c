/* A simulated board whose chip holds nothing but a bootloader, in real time on a pseudo terminal, so that the programs
 * that flash boards can be let loose on it:
 *
 *     bootboard MCU BOOTLOADER.bin START FLASH.bin
 *
 * prints the terminal's name; at the end of its input it writes the chip's flash and ends. Whoever opens the terminal
 * resets the chip, as DTR does. Bytes pass only where the terminal's speed and that of the chip's UART agree.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum { HZ = 16000000, SLICE = HZ / 5000, MCUSR = 0x54, EXTRF = 2, UCSR0A = 0xC0, U2X = 2, UBRR0 = 0xC4 };

static avr_t *avr;
static int far_end;
static bool listening = true; /* the UART takes a byte */
static uint8_t waiting[4096];
static size_t waiting_count;

static void fail(const char *what)
{
    perror(what);
    exit(2);
}

/* Whether sender and receiver are at most 4 % apart: a UART samples a frame's tenth bit within half a bit. */
static bool speeds_agree(void)
{
    struct termios line;
    if (tcgetattr(far_end, &line)) return false;
    speed_t code = cfgetospeed(&line);
    double theirs = code == B115200 ? 115200 : code == B57600 ? 57600 : 1;
    unsigned divisor = avr->data[UBRR0] | (avr->data[UBRR0 + 1] & 0xFu) << 8;
    double ours = (double)HZ / ((avr->data[UCSR0A] & U2X ? 8 : 16) * (divisor + 1));
    return ours > theirs * 0.96 && ours < theirs * 1.04;
}

static void sent(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    uint8_t byte = (uint8_t)(speeds_agree() ? value : value ^ 0xA5);
    if (write(far_end, &byte, 1) < 0 && errno != EIO && errno != EAGAIN) fail("write");
}

static void may_listen(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)value;
    listening = param != NULL;
}

static void attach(void)
{
    uint32_t none = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &none);
    uint32_t uart = AVR_IOCTL_UART_GETIRQ('0');
    avr_irq_register_notify(avr_io_getirq(avr, uart, UART_IRQ_OUTPUT), sent, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, uart, UART_IRQ_OUT_XON), may_listen, &listening);
    avr_irq_register_notify(avr_io_getirq(avr, uart, UART_IRQ_OUT_XOFF), may_listen, NULL);
}

/* What came over the terminal since; a terminal that was closed and is open again has reset the chip. */
static bool hear(void)
{
    static bool closed = true;
    ssize_t count = read(far_end, waiting + waiting_count, sizeof waiting - waiting_count);
    if (count > 0) waiting_count += (size_t)count;
    bool was_closed = closed;
    closed = count < 0 && errno == EIO;
    if (closed) waiting_count = 0;
    return was_closed && !closed;
}

static void deliver(void)
{
    if (!waiting_count || !listening) return;
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT),
                  speeds_agree() ? waiting[0] : waiting[0] ^ 0x5Au);
    memmove(waiting, waiting + 1, --waiting_count);
}

static void do_not_sleep(avr_t *chip, avr_cycle_count_t cycles) { (void)chip, (void)cycles; }

static void quiet(avr_t *chip, const int level, const char *format, va_list arguments)
{
    (void)chip, (void)level, (void)format, (void)arguments;
}

/* Waits where the chip is ahead of the clock on the wall. */
static void keep_pace(void)
{
    static struct timespec next;
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    if (next.tv_sec == 0 || now.tv_sec > next.tv_sec + 1) next = now;
    next.tv_nsec += 1000000000L / HZ * SLICE + (1000000000L % HZ) * SLICE / HZ;
    if (next.tv_nsec >= 1000000000L) next.tv_sec++, next.tv_nsec -= 1000000000L;
    clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &next, NULL);
}

static void set_up(char **words)
{
    avr_global_logger_set(quiet);
    avr = avr_make_mcu_by_name(words[1]);
    FILE *file = fopen(words[2], "rb");
    if (!avr || !file) fail(words[2]);
    avr_init(avr);
    avr->frequency = HZ;
    avr->sleep = do_not_sleep;
    avr->reset_pc = (avr_flashaddr_t)strtoul(words[3], NULL, 0);
    avr->codeend = avr->flashend;
    memset(avr->flash, 0xFF, avr->flashend + 1);
    if (!fread(avr->flash + avr->reset_pc, 1, avr->flashend + 1 - avr->reset_pc, file)) fail(words[2]);
    fclose(file);

    int near_end;
    struct termios line;
    if (openpty(&far_end, &near_end, NULL, NULL, NULL) || tcgetattr(near_end, &line)) fail("pty");
    cfmakeraw(&line);
    tcsetattr(near_end, TCSANOW, &line);
    puts(ttyname(near_end));
    fflush(stdout);
    close(near_end);
    fcntl(far_end, F_SETFL, O_NONBLOCK);
    attach();
}

int main(int count, char **words)
{
    if (count != 5) return 2;
    set_up(words);
    bool runs = false; /* an empty chip runs on through empty cells until it is reset */
    avr_cycle_count_t byte_time = HZ / 11000, byte_at = 0;
    for (struct pollfd input = {.fd = STDIN_FILENO, .events = POLLIN}; !poll(&input, 1, 0);) {
        if (hear()) {
            avr_reset(avr);
            avr->data[MCUSR] = EXTRF;
            listening = runs = true;
        }
        for (avr_cycle_count_t end = avr->cycle + SLICE; runs && avr->cycle < end;) {
            if (avr->cycle >= byte_at) {
                deliver();
                byte_at = avr->cycle + byte_time;
            }
            int state = avr_run(avr);
            runs = state != cpu_Crashed && state != cpu_Done;
        }
        keep_pace();
    }
    FILE *file = fopen(words[4], "wb");
    if (!file || fwrite(avr->flash, 1, avr->flashend + 1, file) != avr->flashend + 1 || fclose(file)) fail(words[4]);
    return 0;
}
