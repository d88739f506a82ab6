/* The machine's tables, defined once. */
#define DW_MACHINE_TABLES
#include "machine.h"
