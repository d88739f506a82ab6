/* Power goes in every byte write of everything that changes the store; and what writing wears. Prints a count a line. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "dw_calibration.h"
#include "dw_crc.h"
#include "dw_engine.h"
#include "dw_record.h"
#include "dw_store.h"
#include "machine.h"
#include "store_trial.h"

/* What is done while power may go. */
typedef struct {
    const char *name;
    uint8_t kind; /* DW_KINDS: the name of the unit */
    bool is_back;
    const bytes_t *after; /* what is in force when it was done */
} act_t;

static const uint8_t unit_name[DW_UNIT_NAME] = "cart 1";

static bool is_done(dw_answer_t answer)
{
    return answer.reason == DW_OK;
}

static bool upload(uint8_t kind, const bytes_t *record)
{
    unsigned at;

    if (!is_done(dw_store_begin(kind, (dw_offset_t)record->length))) {
        return false;
    }
    for (at = 0; at < record->length; at += 40) {
        unsigned count = record->length - at < 40 ? record->length - at : 40;

        if (!is_done(dw_store_chunk((dw_offset_t)at, record->bytes + at, (uint8_t)count))) {
            return false;
        }
    }
    at = record->length - 4;
    return is_done(dw_store_commit(record->bytes[at] | (uint32_t)record->bytes[at + 1] << 8 |
                                   (uint32_t)record->bytes[at + 2] << 16 | (uint32_t)record->bytes[at + 3] << 24));
}

static bool name_unit(const uint8_t *name)
{
    uint8_t payload[DW_UNIT_NAME + 4];
    uint32_t crc = DW_CRC32_START;
    unsigned i;

    for (i = 0; i < DW_UNIT_NAME; i++) {
        payload[i] = name[i];
        crc = dw_crc32(crc, name[i]);
    }
    for (i = 0; i < 4; i++) {
        payload[DW_UNIT_NAME + i] = (uint8_t)(~crc >> (8 * i) & 0xFFu);
    }
    return is_done(dw_store_name(payload));
}

static bool act(const act_t *what)
{
    return what->kind == DW_KINDS ? name_unit(unit_name)
           : what->is_back        ? is_done(dw_store_back(what->kind))
                                  : upload(what->kind, what->after);
}

static bool power_up(unsigned long cut, int torn)
{
    store_writes_to_cut = cut;
    store_torn_to = torn;
    if (setjmp(store_power) != 0) {
        return false;
    }
    dw_start(0);
    store_writes_to_cut = 0;
    return true;
}

/* False when power went in the nth write. */
static bool survives(const act_t *what, unsigned long nth, int torn)
{
    store_writes_to_cut = nth;
    store_torn_to = torn;
    if (setjmp(store_power) != 0) {
        return false;
    }
    if (!act(what)) {
        fail(what->name, nth, torn);
    }
    store_writes_to_cut = 0;
    return true;
}

/* Everything that the store decides: both records in force and the unit's name, one behind the other. */
typedef struct {
    bytes_t part[DW_KINDS + 1];
} stand_t;

static void look(stand_t *stand)
{
    dw_record_t record;
    unsigned part;
    unsigned i;

    for (part = 0; part <= DW_KINDS; part++) {
        if (part == DW_KINDS) {
            dw_store_unit(&record);
        } else {
            record = *dw_store_record((uint8_t)part);
        }
        stand->part[part].length = record.source == DW_FROM_NOWHERE ? 0 : record.length;
        for (i = 0; i < stand->part[part].length; i++) {
            stand->part[part].bytes[i] = dw_record8(&record, (dw_offset_t)i);
        }
    }
}

static bool same(const bytes_t *a, const bytes_t *b)
{
    return a->length == b->length && memcmp(a->bytes, b->bytes, a->length) == 0;
}

/* All as before, or all as before but for the one thing that was done. */
static bool is_whole(const stand_t *now, const stand_t *before, const act_t *what)
{
    unsigned part;

    for (part = 0; part <= DW_KINDS; part++) {
        if (!same(&now->part[part], &before->part[part]) &&
            !(part == what->kind && same(&now->part[part], what->after))) {
            return false;
        }
    }
    return true;
}

/* Whatever a cut left, the next thing asked of the store works, and lasts. */
static bool works_again(const act_t *what, const stand_t *stand)
{
    static stand_t now;
    static const uint8_t other_name[DW_UNIT_NAME] = "cart 2";
    const bytes_t *third = record_named(what->kind == DW_RECIPES ? "R.third" : "C.third");
    uint8_t kind = what->kind == DW_KINDS ? DW_CALIBRATION : what->kind;

    if (what->kind == DW_KINDS && stand->part[DW_KINDS].length == 0 && stand->part[DW_CALIBRATION].length == 0 &&
        !name_unit(other_name)) {
        return false;
    }
    if (what->kind == DW_KINDS && stand->part[DW_KINDS].length == 0 && stand->part[DW_CALIBRATION].length != 0 &&
        !name_unit(unit_name)) {
        return false;
    }
    if (stand->part[DW_KINDS].length == 0 && what->kind == DW_KINDS && stand->part[DW_CALIBRATION].length == 0) {
        return true; /* the third calibration is of another unit than the second name */
    }
    if (!upload(kind, third) || !power_up(0, 0)) {
        return false;
    }
    look(&now);
    return same(&now.part[kind], third);
}

/* Power goes again in each write of the start that finishes what was begun: nothing changes by that. */
static unsigned long cut_start(const uint8_t *image, const stand_t *stand, unsigned *random)
{
    static stand_t now;
    unsigned long cases = 0;
    unsigned long nth;
    unsigned i;

    for (nth = 1;; nth++) {
        for (i = 0; i < 5; i++) {
            const int values[] = { TORN_OLD, 0x00, 0xFF, 0xA6, (int)(*random >> 16 & 0xFFu) };

            *random = *random * 1103515245u + 12345u;
            memcpy(store, image, sizeof store);
            if (power_up(nth, values[i])) {
                return cases;
            }
            cases++;
            if (!power_up(0, 0)) {
                fail("the start", nth, values[i]);
            }
            look(&now);
            if (memcmp(&now.part[0].length, &stand->part[0].length, sizeof(unsigned)) != 0 ||
                !same(&now.part[0], &stand->part[0]) || !same(&now.part[1], &stand->part[1]) ||
                !same(&now.part[2], &stand->part[2])) {
                fail("a cut in the start that follows", nth, values[i]);
            }
        }
    }
}

static void cut_everywhere(const char *from, const act_t *what)
{
    static uint8_t image[sizeof store];
    static uint8_t cut_image[sizeof store];
    static stand_t before;
    static stand_t found;
    unsigned random = 1;
    unsigned long cases = 0, again = 0, kept = 0;
    unsigned long nth;
    int torn;

    memcpy(image, store, sizeof store);
    if (!power_up(0, 0)) {
        fail("the start", 0, 0);
    }
    look(&before);
    for (nth = 1;; nth++) {
        for (torn = 0; torn < TORN_VALUES; torn++) {
            memcpy(store, image, sizeof store);
            if (!power_up(0, 0)) {
                fail("the start", nth, torn);
            }
            if (survives(what, nth, torn)) {
                look(&found);
                if (!same(&found.part[what->kind], what->after)) {
                    fail("it is not in force", nth, torn);
                }
                (void)printf("%s %s: %lu writes, %lu cuts, %lu more in the start after, %lu times the old\n", what->name, from,
                             nth - 1, cases, again, kept);
                return;
            }
            cases++;
            memcpy(cut_image, store, sizeof store);
            if (!power_up(0, 0)) {
                fail("the start", nth, torn);
            }
            look(&found);
            if (!is_whole(&found, &before, what)) {
                fail(what->name, nth, torn);
            }
            kept += same(&found.part[what->kind], &before.part[what->kind]) ? 1u : 0u;
            again += cut_start(cut_image, &found, &random);
            if (!works_again(what, &found)) {
                fail("what follows", nth, torn);
            }
        }
    }
}

static void start_from(unsigned uploads)
{
    static const char *const names[2][DW_KINDS] = { { "R.filler", "C.filler" }, { "R.old", "C.old" } };
    uint8_t kind;
    unsigned i;

    memset(store, 0xFF, sizeof store);
    if (!power_up(0, 0)) {
        fail("the start", 0, 0);
    }
    for (i = 2 - uploads; i < 2; i++) {
        for (kind = 0; kind < DW_KINDS; kind++) {
            if (!upload(kind, record_named(names[i][kind]))) {
                fail("an upload", 0, 0);
            }
        }
    }
}

static void cuts(void)
{
    static const char *const from[] = { "from blank", "over one older", "over two older" };
    static bytes_t unit;
    const act_t uploads[DW_KINDS] = { { "recipes", DW_RECIPES, false, record_named("R.new") },
                                      { "calibration", DW_CALIBRATION, false, record_named("C.new") } };
    const act_t backs[DW_KINDS] = { { "back to recipes", DW_RECIPES, true, record_named("R.filler") },
                                    { "back to calibration", DW_CALIBRATION, true, record_named("C.filler") } };
    act_t naming = { "name of the unit", DW_KINDS, false, &unit };
    unsigned older;
    unsigned kind;

    unit.length = sizeof unit_name;
    memcpy(unit.bytes, unit_name, sizeof unit_name);
    for (older = 0; older <= 2; older++) {
        for (kind = 0; kind < DW_KINDS; kind++) {
            start_from(older);
            cut_everywhere(from[older], &uploads[kind]);
        }
        start_from(older);
        cut_everywhere(from[older], &naming);
    }
    for (kind = 0; kind < DW_KINDS; kind++) {
        start_from(2);
        cut_everywhere("from two", &backs[kind]);
    }
}

/* Uploads one after the other, each of other bytes than the one before in its slot. */
static void wear(unsigned long uploads)
{
    static const char *const names[DW_KINDS][4] = { { "R.filler", "R.old", "R.new", "R.third" },
                                                    { "C.filler", "C.old", "C.new", "C.third" } };
    unsigned kind;
    unsigned long i;

    for (kind = 0; kind < DW_KINDS; kind++) {
        unsigned long most = 0;
        unsigned long sum = 0;

        start_from(0);
        memset(store_written, 0, sizeof store_written);
        for (i = 0; i < uploads; i++) {
            if (!upload((uint8_t)kind, record_named(names[kind][i % 4]))) {
                fail("an upload", i, 0);
            }
        }
        for (i = 0; i < sizeof store; i++) {
            most = store_written[i] > most ? store_written[i] : most;
            sum += store_written[i];
        }
        (void)printf("%s: %lu uploads, %lu writes, %lu at the most to one byte\n", kind == 0 ? "recipes" : "calibration",
                     uploads, sum, most);
    }
}

/* A worn cell that keeps what it has and says nothing: an upload that was told to be done is in force over a reset, and one
 * that was not leaves the old. */
static void stuck(void)
{
    static uint8_t image[sizeof store];
    static stand_t found;
    unsigned long done = 0, failed = 0;
    const act_t what = { "calibration", DW_CALIBRATION, false, record_named("C.new") };
    const bytes_t *old = record_named("C.old");
    dw_offset_t at;

    start_from(1);
    memcpy(image, store, sizeof store);
    for (at = 1; at < 1024; at++) {
        bool was_done;

        memcpy(store, image, sizeof store);
        if (!power_up(0, 0)) {
            fail("the start", at, 0);
        }
        store_stuck_at = at;
        was_done = act(&what);
        done += was_done ? 1u : 0u;
        failed += was_done ? 0u : 1u;
        if (!power_up(0, 0)) {
            fail("the start", at, 0);
        }
        look(&found);
        if (was_done ? !same(&found.part[DW_CALIBRATION], what.after)
                     : !same(&found.part[DW_CALIBRATION], old) && !same(&found.part[DW_CALIBRATION], what.after)) {
            fail("a worn cell", at, 0);
        }
        store_stuck_at = 0;
    }
    (void)printf("%lu done, %lu failed\n", done, failed);
}

int main(int argc, char **argv)
{
    read_records();
    if (argc == 2 && strcmp(argv[1], "cuts") == 0) {
        cuts();
        return 0;
    }
    if (argc == 2 && strcmp(argv[1], "stuck") == 0) {
        stuck();
        return 0;
    }
    if (argc == 3 && strcmp(argv[1], "wear") == 0) {
        wear(strtoul(argv[2], NULL, 10));
        return 0;
    }
    (void)printf("cuts | stuck | wear N\n");
    return 2;
}
