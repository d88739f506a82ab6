/* The two checksums: of a frame and of a record. */
#ifndef DW_CRC_H
#define DW_CRC_H

#include <stdint.h>

#define DW_CRC32_START 0xFFFFFFFFul

/* CRC-16/IBM-3740 of these bytes; 0 where the last two are the CRC, big-endian, of those before. */
uint16_t dw_crc16(const uint8_t *bytes, uint8_t length);

/* CRC-32/ISO-HDLC, one byte more; the result counts after an inversion of all its bits. */
uint32_t dw_crc32(uint32_t crc, uint8_t byte);

#endif
