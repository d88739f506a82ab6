/* What arrives on a line that is not well: noise, and frames that are whole, damaged or cut off. */
#ifndef NOISE_H
#define NOISE_H

#include <stdint.h>

void noise_seed(uint32_t seed);

/* A number from 0 to limit - 1. */
uint32_t noise_below(uint32_t limit);

/* Fills `line` with at most `most` bytes, of which at least 200 are wanted; returns how many there are. */
unsigned noise_arrives(uint8_t *line, unsigned most);

#endif
