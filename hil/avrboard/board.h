/* A simulated board: an AVR of libsimavr with the parts of it that libsimavr models too kindly put right.
 *
 * Everything that happens outside the processor (a byte arriving, an EEPROM cell done, a switch pressed) has one
 * deadline in `due`, an absolute cycle, so that a reset of the processor, which forgets all of libsimavr's own
 * timers, forgets none of ours.
 */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include <simavr/avr_eeprom.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/avr_watchdog.h>
#include <simavr/sim_avr.h>

enum { MAX_OUTPUTS = 64, MAX_INPUTS = 32, MAX_PORTS = 26, MAX_PRESSES = 256, STORE_BYTES = 4096 };

/* Deadlines. */
enum { DUE_STOP, DUE_RX, DUE_TX, DUE_STORE, DUE_UNLOCK, DUE_PRESS, DUE_STORM, DUE_CUT, DUE_WAKE, DUE_COUNT };

/* What the harness can ask about afterwards. */
typedef struct {
    uint64_t bytes;      /* bytes that came to their end on the wire from the harness */
    uint64_t overruns;   /* bytes lost because three were unread */
    uint64_t framing;    /* bytes garbled because the two bauds differ too much */
    uint64_t deaf;       /* bytes that came while nobody could listen */
    uint64_t tx_lost;    /* bytes written while the transmitter was full */
    uint64_t writes;     /* EEPROM bytes written */
    uint64_t store_misuse; /* EEPROM touched while a write was going on */
    uint64_t interrupts; /* interrupts entered */
} counts_t;

typedef struct {
    avr_t *avr;
    uint64_t hz;
    uint64_t tick_cycles;
    int tick_vector;
    double ppm;  /* how much faster than nominal the controller's clock runs */
    double baud; /* of the harness */
    uint64_t due[DUE_COUNT];
    bool powered;
    bool tells; /* events beyond those of a plain rig */
    bool was_reset;       /* the processor was reset inside avr_run */
    uint64_t first_tick;  /* cycle of the first tick interrupt since reset, 0: none yet */
    bool until_frame;     /* stop after the tick in which a frame has ended */
    uint64_t frame_end;   /* when it did, 0: not yet */
    uint64_t random;
    counts_t counts;
    FILE *control;
} board_t;

extern board_t board;

/* bridge.c */
void schedule(int what, uint64_t when);
uint64_t tick_of(uint64_t cycle);
uint64_t draw(void);
void say(const char *format, ...) __attribute__((format(printf, 1, 2)));
void tell(const char *format, ...) __attribute__((format(printf, 1, 2)));
void cut_power(void);
bool reset(const char *kind, uint64_t hold);
void run_to(uint64_t cycle);
void run_ticks(uint64_t ticks);
uint64_t tick_now(void);

/* commands.c */
const char *obey(char *line);

/* pins.c */
bool pins_add_output(const char *name);
bool pins_add_input(const char *name);
void pins_attach(void);
void pins_float(void);
void pins_refresh(void);
bool pins_press(unsigned index, int level);
bool pins_press_at(uint64_t cycle, unsigned index, int level);
void pins_press_due(void);
void pins_storm(uint64_t gap, uint32_t which);
void pins_storm_due(void);
const char *pins_vcd(const char *path); /* what is wrong, or NULL */
void pins_vcd_close(void);

/* serial.c */
void serial_attach(void);
void serial_reset(void);
bool serial_send(const uint8_t *bytes, size_t count);
void serial_traffic(const uint8_t *bytes, size_t count, uint64_t gap);
void serial_rx_due(void);
void serial_tx_due(void);
void serial_flush(void);

/* store.c */
void store_attach(void);
void store_reset(void);
void store_due(void);
void store_unlock(void);
void store_cut_at(uint64_t write, int torn);
bool store_load(const char *path);
bool store_save(const char *path);

enum { TORN_OLD = 256, TORN_NEW = 257 };

#endif
