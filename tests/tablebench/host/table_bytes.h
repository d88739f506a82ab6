/* Tables in memory of this computer. */
#ifndef TABLE_BYTES_H
#define TABLE_BYTES_H

#include <stddef.h>
#include <stdint.h>

typedef size_t table_address_t;

extern const uint8_t *table_memory;

static inline uint8_t table_byte(table_address_t at) { return table_memory[at]; }

static inline uint8_t table_next(table_address_t *at) { return table_memory[(*at)++]; }

#endif
