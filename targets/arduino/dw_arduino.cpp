/* The port in the Arduino API. A "port" of the machine's tables is here eight pins by the board's own numbers.
 *
 * The tick is taken from micros() and not from a timer of its own: that is the same on every board, and leaves the
 * timers to the sketch. The price is that pins change when run() comes round. Ticks that were missed are made up for one
 * by one, so that no time is lost; nothing here runs in an interrupt, and the lock only holds such a tick off.
 */
#include "dw_arduino.h"

extern "C" {
#include "machine.h"
}

#if DW_STORE_KIND == DW_STORE_BYTES || DW_STORE_KIND == DW_STORE_PAGES
#include <EEPROM.h>
#endif

#if DW_STORE_KIND == DW_STORE_PAGES
#warning "this board writes whole pages of flash: a power cut during an upload may lose the old and the new recipes"
#elif DW_STORE_KIND == DW_STORE_MEMORY
#warning "no store is known on this board: recipes sent to it last until power goes, then those built in count again"
#endif

#define LATE_LIMIT_US 20000ul

DosewrightEngine Dosewright;

static Stream *link_port;
static uint32_t due; /* when the next tick is, by micros() */
static uint8_t cause; /* of the last reset */
static uint32_t worst; /* microseconds from a tick to the last pin that it changed */
static uint8_t locked = 1; /* until begin(); a tick that is under way locks too */
static uint8_t written[DW_PORTS];
static uint8_t inputs[DW_PORTS]; /* pins that are read */
static uint8_t levels[DW_PORTS];

/* Levels as they are now, so that all inputs of a tick are of one moment. */
static void sample()
{
    for (uint8_t port = 0; port < DW_PORTS; port++) {
        for (uint8_t bit = 0; inputs[port] >> bit != 0; bit++) {
            uint8_t mask = (uint8_t)(1u << bit);

            if ((inputs[port] & mask) != 0) {
                levels[port] = digitalRead((uint8_t)(8 * port + bit)) != LOW ? levels[port] | mask
                                                                             : levels[port] & (uint8_t)~mask;
            }
        }
    }
}

/* The ticks that are due. One that comes much too late must not go on as if nothing had been. */
static void tick_if_due()
{
    uint32_t late = micros() - due;

    if (locked || (int32_t)late < 0) {
        return;
    }
    locked = 1;
    do {
        if (late > LATE_LIMIT_US) {
            dw_stop();
            due += late / DW_TICK_US * DW_TICK_US;
        }
        sample();
        dw_tick();
        due += DW_TICK_US;
        late = micros() - due;
    } while ((int32_t)late >= 0);
    locked = 0;
}

/* Pins that go to rest change before others leave it, so that the supply never carries both. */
static bool write_pins(const uint8_t *image, bool to_rest)
{
    bool any = false;

    for (uint8_t port = 0; port < DW_PORTS; port++) {
        uint8_t resting = (uint8_t)~(image[port] ^ dw_rom8(&dw_port_idle[port]));
        uint8_t changed = (uint8_t)((image[port] ^ written[port]) & dw_rom8(&dw_port_owned[port]));

        changed &= to_rest ? resting : (uint8_t)~resting;
        written[port] ^= changed;
        any = any || changed != 0;
        for (uint8_t bit = 0; changed >> bit != 0; bit++) {
            if ((changed >> bit & 1u) != 0) {
                digitalWrite((uint8_t)(8 * port + bit), (image[port] >> bit & 1u) != 0 ? HIGH : LOW);
            }
        }
    }
    return any;
}

extern "C" void dw_port_write(const uint8_t *image)
{
    bool any = write_pins(image, true);

    if (write_pins(image, false) || any) {
        uint32_t late = micros() - due;

        worst = late > worst ? late : worst;
    }
}

extern "C" uint8_t dw_port_read(uint8_t port)
{
    return levels[port];
}

/* A tick that is due comes before the lock, as an interrupt would: so what the lock's taker does next, as asking for a
 * pour that took long to reckon, finds no tick owed. */
extern "C" void dw_port_lock(void)
{
    tick_if_due();
    locked = 1;
}

extern "C" void dw_port_unlock(void)
{
    __asm__ volatile("" ::: "memory"); /* what was written under the lock stays before what comes after it */
    locked = 0;
}

extern "C" bool dw_port_receive(uint8_t *byte)
{
    tick_if_due();
    if (link_port == NULL || link_port->available() <= 0) {
        return false;
    }
    *byte = (uint8_t)link_port->read();
    return true;
}

/* A port that has no room now would wait, and the tick with it. */
extern "C" bool dw_port_send(uint8_t byte)
{
    tick_if_due();
    return link_port == NULL || (link_port->availableForWrite() > 0 && link_port->write(byte) == 1);
}

extern "C" void dw_port_alive(void)
{
}

/* Only where the bootloader leaves MCUSR as it is, or there is none; most boards do not tell a sketch. */
extern "C" uint8_t dw_port_reset_cause(void)
{
    return cause;
}

static void keep_cause()
{
#if defined(MCUSR)
    uint8_t reason = MCUSR;

    MCUSR = 0;
    cause = (reason & 1u << PORF) != 0    ? DW_CAUSE_POWER
            : (reason & 1u << BORF) != 0  ? DW_CAUSE_SUPPLY
            : (reason & 1u << EXTRF) != 0 ? DW_CAUSE_RESET_LINE
            : (reason & 1u << WDRF) != 0  ? DW_CAUSE_WATCHDOG
                                          : DW_CAUSE_UNKNOWN;
#endif
}

#if DW_STORE_KIND == DW_STORE_MEMORY

static uint8_t store[DW_STORE_SIZE];

static void store_begin()
{
    memset(store, 0xFF, sizeof store);
}

static void store_flush()
{
}

extern "C" uint8_t dw_port_store_read(dw_offset_t address)
{
    tick_if_due();
    return store[address];
}

extern "C" bool dw_port_store_write(dw_offset_t address, uint8_t value)
{
    store[address] = value;
    return true;
}

#else

#if DW_STORE_KIND == DW_STORE_PAGES

static bool dirty;
static bool failed;

static void store_begin()
{
    failed = !EEPROM.begin(DW_STORE_SIZE);
}

/* Once for each frame and not for each byte: a page bears some ten thousand erasures. */
static void store_flush()
{
    if (dirty) {
        dirty = false;
        failed = !EEPROM.commit();
    }
}

#else

static void store_begin()
{
}

static void store_flush()
{
}

#endif

extern "C" uint8_t dw_port_store_read(dw_offset_t address)
{
    tick_if_due();
    return EEPROM.read(address);
}

/* On an EEPROM the next access waits for the milliseconds that a byte takes; nothing pours during an upload. */
extern "C" bool dw_port_store_write(dw_offset_t address, uint8_t value)
{
    EEPROM.write(address, value);
#if DW_STORE_KIND == DW_STORE_PAGES
    dirty = true;
    return !failed;
#else
    return true;
#endif
}

#endif

/* First the level that means off, then the direction: an output that rests high never sees a low. */
static void pins_begin()
{
    for (uint8_t port = 0; port < DW_PORTS; port++) {
        uint8_t owned = dw_rom8(&dw_port_owned[port]);

        written[port] = dw_rom8(&dw_port_idle[port]);
        inputs[port] = 0;
        levels[port] = 0xFF;
        for (uint8_t bit = 0; owned >> bit != 0; bit++) {
            if ((owned >> bit & 1u) != 0) {
                digitalWrite((uint8_t)(8 * port + bit), (written[port] >> bit & 1u) != 0 ? HIGH : LOW);
                pinMode((uint8_t)(8 * port + bit), OUTPUT);
            }
        }
    }
    for (uint8_t i = 0; i != DW_INTERLOCKS + DW_BUTTONS; i++) {
        uint8_t port = dw_rom8(&dw_input_pins[i].port);
        uint8_t mask = dw_rom8(&dw_input_pins[i].mask);
        uint8_t bit = 0;

        while (mask >> bit != 1u) {
            bit++;
        }
        inputs[port] |= mask;
        pinMode((uint8_t)(8 * port + bit), INPUT_PULLUP);
    }
}

void DosewrightEngine::begin()
{
    locked = 1;
    pins_begin();
    keep_cause();
    store_begin();
    dw_start(0);
    store_flush();
    worst = 0;
    due = micros() + DW_TICK_US;
    locked = 0;
}

void DosewrightEngine::begin(Stream &link)
{
    link_port = &link;
    begin();
}

void DosewrightEngine::run()
{
    tick_if_due();
    dw_poll();
    store_flush();
}

dw_answer_t DosewrightEngine::pour(uint16_t recipe, uint8_t serving)
{
    return dw_pour(recipe, serving);
}

dw_answer_t DosewrightEngine::goOn()
{
    return dw_go_on();
}

void DosewrightEngine::stop()
{
    dw_stop();
}

dw_status_t DosewrightEngine::status()
{
    dw_status_t status;

    dw_get_status(&status);
    return status;
}

uint32_t DosewrightEngine::latest()
{
    return worst;
}
