/* The port functions of a controller that is only memory: pins, a serial line without end, a store that can tear. */
#include <errno.h>
#include <setjmp.h>
#include <stdio.h>
#include <string.h>

#include "dw_engine.h"
#include "host.h"
#include "machine.h"

#define LINE_BYTES 4096u

static uint8_t ports[DW_PORTS];
static uint8_t store[DW_STORE_SIZE];
static bool begun;
static uint32_t start_tick;
static uint8_t reset_cause;

static uint8_t arriving[LINE_BYTES];
static size_t arrived, read_so_far;
static uint8_t sent[16u * LINE_BYTES];
static size_t sent_length;

static uint32_t writes_to_cut; /* 0: power stays */
static int torn_to;
static jmp_buf power;

void dw_port_write(const uint8_t *image)
{
    unsigned i;

    for (i = 0; i < DW_PORTS; i++) {
        ports[i] = (uint8_t)((ports[i] & (uint8_t)~dw_port_owned[i]) | (image[i] & dw_port_owned[i]));
    }
}

uint8_t dw_port_read(uint8_t port)
{
    return ports[port];
}

/* Tick and main loop take turns here, so there is nothing to hold off. */
void dw_port_lock(void)
{
}

void dw_port_unlock(void)
{
}

bool dw_port_receive(uint8_t *byte)
{
    if (read_so_far == arrived) {
        return false;
    }
    *byte = arriving[read_so_far];
    read_so_far++;
    return true;
}

bool dw_port_send(uint8_t byte)
{
    if (sent_length == sizeof sent) {
        return false;
    }
    sent[sent_length] = byte;
    sent_length++;
    return true;
}

uint8_t dw_port_store_read(dw_offset_t address)
{
    return store[address];
}

/* The byte in which power fails is left as the bench wants it, and nothing after it runs. */
bool dw_port_store_write(dw_offset_t address, uint8_t value)
{
    if (writes_to_cut == 1) {
        writes_to_cut = 0;
        if (torn_to == HOST_NEW) {
            store[address] = value;
        } else if (torn_to != HOST_OLD) {
            store[address] = (uint8_t)torn_to;
        }
        longjmp(power, 1);
    }
    writes_to_cut -= writes_to_cut != 0 ? 1u : 0u;
    store[address] = value;
    return true;
}

void dw_port_alive(void)
{
}

uint8_t dw_port_reset_cause(void)
{
    return reset_cause;
}

size_t host_take_sent(uint8_t *bytes, size_t room)
{
    size_t count = sent_length < room ? sent_length : room;

    memcpy(bytes, sent, count);
    memmove(sent, sent + count, sent_length - count);
    sent_length -= count;
    return count;
}

size_t host_waiting(void)
{
    return arrived - read_so_far;
}

bool host_arrive(uint8_t byte)
{
    if (read_so_far == arrived) {
        read_so_far = 0;
        arrived = 0;
    }
    if (arrived == sizeof arriving) {
        return false;
    }
    arriving[arrived] = byte;
    arrived++;
    return true;
}

bool host_set_input(unsigned index, bool level)
{
    static const unsigned inputs = DW_INTERLOCKS + DW_BUTTONS; /* a machine may have none */
    const dw_pin_t *pin;

    if (index >= inputs) {
        return false;
    }
    pin = &dw_input_pins[index];
    ports[pin->port] = (uint8_t)(level ? ports[pin->port] | pin->mask : ports[pin->port] & (uint8_t)~pin->mask);
    return true;
}

bool host_output_level(unsigned output, bool *level)
{
    const dw_pin_t *pin;

    if (output >= DW_OUTPUTS || dw_output_pins[output].port == DW_NO_PIN) {
        return false;
    }
    pin = &dw_output_pins[output];
    *level = (ports[pin->port] & pin->mask) != 0;
    return true;
}

/* An unused store is erased, and an open contact is high by its pull-up. */
static void begin(void)
{
    if (!begun) {
        memset(store, 0xFF, sizeof store);
        memset(ports, 0xFF, sizeof ports);
        begun = true;
    }
}

static void start_engine(void)
{
    dw_start(start_tick);
}

/* Inputs keep their levels, for switches do not move when power fails. */
bool host_restart(uint32_t tick, uint8_t cause)
{
    unsigned i;

    begin();
    for (i = 0; i < DW_PORTS; i++) {
        ports[i] = (uint8_t)((ports[i] & (uint8_t)~dw_port_owned[i]) | (dw_port_idle[i] & dw_port_owned[i]));
    }
    arrived = 0;
    read_so_far = 0;
    sent_length = 0;
    start_tick = tick;
    reset_cause = cause;
    return host_run(start_engine);
}

void host_cut_power(uint32_t nth, int torn)
{
    writes_to_cut = nth;
    torn_to = torn;
}

bool host_run(void (*piece)(void))
{
    if (setjmp(power) != 0) {
        return false;
    }
    piece();
    return true;
}

/* A file that is not there is a store that was never used. */
bool host_load_store(const char *path)
{
    FILE *file = fopen(path, "rb");
    size_t length;
    bool whole;

    begin();
    if (file == NULL) {
        return errno == ENOENT; /* a store that nobody has written yet */
    }
    length = fread(store, 1, sizeof store, file);
    whole = length == sizeof store && fgetc(file) == EOF;
    return fclose(file) == 0 && whole;
}

/* Under another name first, so that there is never a torn image under its own. */
bool host_save_store(const char *path)
{
    static const char suffix[] = ".new";
    char beside[FILENAME_MAX];
    size_t length = strlen(path);
    FILE *file;
    bool written;

    if (length + sizeof suffix > sizeof beside) {
        return false;
    }
    memcpy(beside, path, length);
    memcpy(beside + length, suffix, sizeof suffix);
    file = fopen(beside, "wb");
    if (file == NULL) {
        return false;
    }
    written = fwrite(store, 1, sizeof store, file) == sizeof store;
    if (fclose(file) != 0 || !written) {
        (void)remove(beside);
        return false;
    }
#ifdef _WIN32
    (void)remove(path); /* there a name that is taken is not given anew */
#endif
    return rename(beside, path) == 0;
}
