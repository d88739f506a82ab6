/* A store that is only memory, for trials of the engine's store in one process: it counts writes, and power can go in one.
 *
 * Records come in on stdin, a line each: a name and bytes in hex.
 */
#ifndef STORE_TRIAL_H
#define STORE_TRIAL_H

#include <setjmp.h>

#include "dw_port.h"

#define RECORD_MAX 1024u
#define TORN_OLD 256
#define TORN_VALUES 257 /* every value a byte can take, and the old one */

typedef struct {
    uint8_t bytes[RECORD_MAX];
    unsigned length;
} bytes_t;

extern uint8_t store[DW_STORE_SIZE];
extern unsigned long store_written[DW_STORE_SIZE];
extern unsigned long store_writes_to_cut; /* 0: power stays */
extern int store_torn_to;
extern dw_offset_t store_stuck_at; /* this cell takes nothing and says nothing; 0: none does */
extern jmp_buf store_power; /* where to go when power goes */

void read_records(void);

/* A record by its name; ends the program where there is none. */
const bytes_t *record_named(const char *name);

/* Ends the program with what went wrong. */
void fail(const char *what, unsigned long nth, int torn);

#endif
