/* What the files of the host target share. */
#ifndef HOST_H
#define HOST_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* simulated.c: the controller's pins, store and serial line, as plain memory */

#define HOST_OLD (-1) /* a torn cell keeps its value */
#define HOST_NEW (-2) /* a torn cell has the new value */

/* Bytes the controller sent; returns how many, at most `room`. */
size_t host_take_sent(uint8_t *bytes, size_t room);

/* Let a byte arrive; false when there is no room until the engine has read some. */
bool host_arrive(uint8_t byte);

/* Bytes that arrived and were not read yet. */
size_t host_waiting(void);

/* The level of an input, by its index in the machine; false when there is no such input. */
bool host_set_input(unsigned index, bool level);

/* The levels of the output pins that were written last; false for an output without a pin. */
bool host_output_level(unsigned output, bool *level);

/* A reset for this cause: pins to their pull-ups, serial line empty, store and memory as they are; then the engine starts.
 * False when the power fails while it does. */
bool host_restart(uint32_t tick, uint8_t cause);

/* Power fails in the Nth byte write from now (0: it stays), which leaves `torn` (a value, HOST_OLD or HOST_NEW). */
void host_cut_power(uint32_t nth, int torn);

/* Run a piece of the engine; false when the power failed in it, after which only host_restart helps. */
bool host_run(void (*piece)(void));

/* The store's image on disk; false when it could not be read or written whole. */
bool host_load_store(const char *path);
bool host_save_store(const char *path);

/* pty.c: real time on a pseudo terminal, from this tick on, by a clock that runs `ppm` millionths fast; returns the exit
 * code. */
int host_serve_pty(uint32_t tick, int32_t ppm);

#endif
