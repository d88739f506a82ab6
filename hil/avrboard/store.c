/* The EEPROM with its time, its lock, and power cuts in the middle of a byte.
 *
 * In libsimavr a write is instant and never reads as busy.
 */
#include <stdlib.h>
#include <string.h>

#include "board.h"

enum { EERIE = 0x08, EEMPE = 0x04, EEPE = 0x02, EERE = 0x01 };

static avr_eeprom_t *io;
static uint8_t cells[STORE_BYTES];
static uint64_t cut_after; /* writes until the power goes, 0: not asked for */
static int cut_torn;
static uint16_t busy_at;
static uint8_t busy_value;

static uint16_t address(void) {
    avr_t *avr = board.avr;
    return (uint16_t)((avr->data[io->r_eearl] | avr->data[io->r_eearh] << 8) % io->size);
}

/* A byte takes 3.4 ms to erase and write, 1.8 ms for one of the two (ATmega328P data sheet, EEPM bits). */
static void begin_write(uint8_t mode) {
    avr_t *avr = board.avr;
    uint16_t at = address();
    uint8_t old = cells[at], value = avr->data[io->r_eedr];
    uint8_t new = mode == 1 ? 0xFF : mode == 2 ? old & value : value;
    board.counts.writes++;
    if (cut_after && !--cut_after) {
        cells[at] = (uint8_t)(cut_torn == TORN_OLD ? old : cut_torn == TORN_NEW ? new : cut_torn);
        cut_power();
        return;
    }
    busy_at = at;
    busy_value = new;
    avr->data[io->r_eecr] |= EEPE;
    schedule(DUE_STORE, avr->cycle + (mode == 0 ? 34 : 18) * board.hz / 10000);
    avr->cycle += 2;
}

static void write_control(avr_t *avr, avr_io_addr_t register_address, uint8_t value, void *param) {
    (void)param;
    uint8_t before = avr->data[register_address];
    bool busy = before & EEPE;
    avr->data[register_address] = (uint8_t)((value & (0x30 | EERIE)) | (busy ? EEPE : 0));
    if (value & EEMPE && !(value & EEPE)) {
        avr->data[register_address] |= EEMPE;
        schedule(DUE_UNLOCK, avr->cycle + 6); /* four cycles after this two-cycle instruction */
    }
    if (busy && value & EERE) board.counts.store_misuse++;
    if (value & EEPE && before & EEMPE) {
        schedule(DUE_UNLOCK, 0);
        if (busy)
            board.counts.store_misuse++;
        else
            begin_write(value >> 4 & 3);
    } else if (value & EERE && !busy) {
        avr->data[io->r_eedr] = cells[address()];
        avr->cycle += 4;
    }
    if (value & EERIE && !(avr->data[register_address] & EEPE)) avr_raise_interrupt(avr, &io->ready);
}

void store_attach(void) {
    avr_t *avr = board.avr;
    for (avr_io_t *part = avr->io_port; part; part = part->next)
        if (!strcmp(part->kind, "eeprom")) io = (avr_eeprom_t *)part;
    memset(cells, 0xFF, sizeof cells);
    avr->io[AVR_DATA_TO_IO(io->r_eecr)].w.c = write_control;
    avr->io[AVR_DATA_TO_IO(io->r_eecr)].r.c = NULL;
}

/* A reset does not stop a byte that is being written; only lost power does. */
void store_reset(void) {
    schedule(DUE_UNLOCK, 0);
    if (board.due[DUE_STORE]) board.avr->data[io->r_eecr] |= EEPE;
}

void store_due(void) {
    schedule(DUE_STORE, 0);
    cells[busy_at] = busy_value;
    board.avr->data[io->r_eecr] &= (uint8_t)~EEPE;
    if (board.avr->data[io->r_eecr] & EERIE) avr_raise_interrupt(board.avr, &io->ready);
}

void store_unlock(void) {
    schedule(DUE_UNLOCK, 0);
    board.avr->data[io->r_eecr] &= (uint8_t)~EEMPE;
}

void store_cut_at(uint64_t write, int torn) {
    cut_after = write;
    cut_torn = torn;
}

bool store_load(const char *path) {
    FILE *file = fopen(path, "rb");
    if (!file) return false;
    memset(cells, 0xFF, sizeof cells);
    bool whole = fread(cells, 1, io->size, file) == io->size && fgetc(file) == EOF;
    fclose(file);
    return whole;
}

/* Under another name first, so that there is never a torn image under its own. A byte under way counts as written. */
bool store_save(const char *path) {
    if (board.due[DUE_STORE]) cells[busy_at] = busy_value;
    char *beside;
    if (asprintf(&beside, "%s.new", path) < 0) return false;
    FILE *file = fopen(beside, "wb");
    bool written = file && fwrite(cells, 1, io->size, file) == io->size;
    written = file && fclose(file) == 0 && written && rename(beside, path) == 0;
    if (file && !written) remove(beside);
    free(beside);
    return written;
}
