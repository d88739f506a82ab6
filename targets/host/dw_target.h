/* A computer as a controller: program memory is memory, and there is plenty of it. */
#ifndef DW_TARGET_H
#define DW_TARGET_H

#include <stdint.h>

#define DW_ROM
#define dw_rom8(p) (*(p))
#define dw_rom16(p) (*(p))
#define dw_rom32(p) (*(p))
#define DW_KEPT

typedef uint32_t dw_offset_t;

#define DW_FRAME_LIMIT 256u
#define DW_TRACE_LENGTH 256u
#define DW_STORE_SIZE 65536u

#endif
