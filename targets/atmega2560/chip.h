/* Ports of the ATmega2560: index in the machine's tables, letter, a register, and how the fastest store reaches it. */
#ifndef CHIP_H
#define CHIP_H

#define USART_RX_vect USART0_RX_vect
#define USART_UDRE_vect USART0_UDRE_vect

#define CHIP_PORT_COUNT 12
#define CHIP_PORTS(X)                 \
    X(1, A, r18, out, _SFR_IO_ADDR)   \
    X(2, B, r19, out, _SFR_IO_ADDR)   \
    X(3, C, r20, out, _SFR_IO_ADDR)   \
    X(4, D, r21, out, _SFR_IO_ADDR)   \
    X(5, E, r22, out, _SFR_IO_ADDR)   \
    X(6, F, r23, out, _SFR_IO_ADDR)   \
    X(7, G, r24, out, _SFR_IO_ADDR)   \
    X(8, H, r25, sts, _SFR_MEM_ADDR)  \
    X(9, J, r26, sts, _SFR_MEM_ADDR)  \
    X(10, K, r27, sts, _SFR_MEM_ADDR) \
    X(11, L, r30, sts, _SFR_MEM_ADDR)

#define DW_FRAME_LIMIT 200
#define DW_TRACE_LENGTH 64

#endif
