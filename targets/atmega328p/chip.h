/* Ports of the ATmega328P: index in the machine's tables, letter, a register, and how the fastest store reaches it. */
#ifndef CHIP_H
#define CHIP_H

#define CHIP_PORT_COUNT 4
#define CHIP_PORTS(X)                 \
    X(1, B, r18, out, _SFR_IO_ADDR)   \
    X(2, C, r19, out, _SFR_IO_ADDR)   \
    X(3, D, r20, out, _SFR_IO_ADDR)

#define DW_FRAME_LIMIT 96
#define DW_TRACE_LENGTH 16

#endif
