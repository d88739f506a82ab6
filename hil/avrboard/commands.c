/* The lines that the harness sends. */
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"

static size_t read_hex(const char *text, uint8_t **bytes) {
    size_t digits = strspn(text, "0123456789abcdefABCDEF"), count = digits / 2;
    *bytes = malloc(count + 1);
    for (size_t i = 0; i < count; i++) {
        char pair[3] = {text[2 * i], text[2 * i + 1], 0};
        (*bytes)[i] = (uint8_t)strtoul(pair, NULL, 16);
    }
    return digits % 2 || text[digits] ? SIZE_MAX : count;
}

static int read_torn(const char *text) {
    if (!strcmp(text, "old")) return TORN_OLD;
    if (!strcmp(text, "new")) return TORN_NEW;
    return (int)(strtoul(text, NULL, 16) & 0xFF);
}

static bool send_bytes(const char *rest, uint64_t gap, bool for_ever) {
    uint8_t *bytes;
    size_t count = read_hex(rest, &bytes);
    bool good = count != SIZE_MAX;
    if (good && for_ever)
        serial_traffic(bytes, count, gap);
    else if (good)
        good = serial_send(bytes, count);
    free(bytes);
    return good;
}

static void print_counts(void) {
    const counts_t *c = &board.counts;
    say("counts bytes %" PRIu64 " overruns %" PRIu64 " framing %" PRIu64 " deaf %" PRIu64 " tx_lost %" PRIu64 " writes %" PRIu64
        " store_misuse %" PRIu64 " interrupts %" PRIu64,
        c->bytes, c->overruns, c->framing, c->deaf, c->tx_lost, c->writes, c->store_misuse, c->interrupts);
}

static bool memory(uint64_t from, uint64_t count, const char *fill) {
    avr_t *avr = board.avr;
    if (from > avr->ramend || count > avr->ramend + 1u - from) return false;
    if (fill) {
        memset(avr->data + from, (int)strtoul(fill, NULL, 16), count);
        return true;
    }
    serial_flush();
    fputs("ram ", board.control);
    for (uint64_t i = 0; i < count; i++) fprintf(board.control, "%02x", avr->data[from + i]);
    fputc('\n', board.control);
    return true;
}

/* One command; returns what is wrong with it, or NULL. */
const char *obey(char *line) {
    char *rest = line + strcspn(line, " ");
    if (*rest) *rest++ = 0;
    char word[2][32] = {"", ""};
    uint64_t a = 0, b = 0, c = 0;
    int numbers = sscanf(rest, "%" SCNu64 " %" SCNu64 " %" SCNu64, &a, &b, &c);
    sscanf(rest, "%31s %31s", word[0], word[1]);
    char *second = rest + strcspn(rest, " ");
    char *third = *second ? second + 1 + strcspn(second + 1, " ") : second;

    if (!strcmp(line, "run") && numbers == 1)
        run_ticks(a);
    else if (!strcmp(line, "until") && numbers == 1) {
        board.until_frame = true;
        run_ticks(a);
    } else if (!strcmp(line, "cycles") && numbers == 1)
        run_to(board.avr->cycle + a);
    else if (!strcmp(line, "rx"))
        return send_bytes(rest, 0, false) ? NULL : "rx wants an even number of hex digits, and room in the queue";
    else if (!strcmp(line, "traffic") && numbers >= 1)
        return send_bytes(*second ? second + 1 : second, a, true) ? NULL : "traffic wants GAP HEX";
    else if (!strcmp(line, "in") && numbers == 2)
        return pins_press((unsigned)a, b != 0) ? NULL : "no such input";
    else if (!strcmp(line, "inat") && numbers == 3)
        return pins_press_at(a, (unsigned)b, c != 0) ? NULL : "no such input, or too many presses";
    else if (!strcmp(line, "storm") && numbers == 2)
        pins_storm(a, (uint32_t)b);
    else if (!strcmp(line, "reset"))
        return reset(*word[0] ? word[0] : "power", *word[1] ? strtoull(word[1], NULL, 10) : 500)
                   ? NULL
                   : "reset wants power, watchdog or dtr";
    else if (!strcmp(line, "cut") && numbers == 1)
        schedule(DUE_CUT, a > board.avr->cycle ? a : board.avr->cycle + 1);
    else if (!strcmp(line, "cutwrite") && numbers >= 1)
        store_cut_at(a, read_torn(word[1]));
    else if (!strcmp(line, "load"))
        return store_load(rest) ? NULL : "cannot read an image of the store's size there";
    else if (!strcmp(line, "save"))
        return store_save(rest) ? NULL : "cannot write there";
    else if (!strcmp(line, "vcd"))
        return pins_vcd(rest);
    else if (!strcmp(line, "counts"))
        print_counts();
    else if (!strcmp(line, "now"))
        say("now %" PRIu64 " %.3f", board.avr->cycle,
            (double)board.avr->cycle / ((double)board.hz * (1 + board.ppm * 1e-6)) * 1e6);
    else if (!strcmp(line, "ram") && numbers == 2)
        return memory(a, b, NULL) ? NULL : "no such memory";
    else if (!strcmp(line, "fill") && numbers >= 2)
        return memory(a, b, *third ? third + 1 : "0") ? NULL : "no such memory";
    else
        return "unknown command, or numbers missing";
    return NULL;
}
