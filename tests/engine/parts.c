/* Parts of the engine that are plain functions: a line in, a line out. Numbers in decimal, bytes in hex, "-": none.
 *
 *   crc16 HEX, crc32 HEX, encode HEX, decode HEX
 *   ticks V M S             dose V M S OFFSET       offset M S OFFSET      slower M S M S
 *   share SERVING WEIGHT...
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "dw_cobs.h"
#include "dw_crc.h"
#include "dw_number.h"

#define WORDS 64

static char *words[WORDS];
static int count;

static uint32_t number(int index)
{
    return (uint32_t)strtoull(words[index], NULL, 10);
}

static uint8_t bytes(uint8_t *into)
{
    size_t length = 0;
    unsigned byte;

    while (words[1][0] != '-' && sscanf(words[1] + 2 * length, "%2x", &byte) == 1) {
        into[length] = (uint8_t)byte;
        length++;
    }
    return (uint8_t)length;
}

static void encode(void)
{
    uint8_t frame[256];
    uint8_t length = bytes(frame + 1);
    unsigned i;

    dw_cobs_encode(frame, length);
    for (i = 0; i <= length; i++) {
        (void)printf("%02x", frame[i]);
    }
    (void)printf("\n");
}

static void decode(void)
{
    uint8_t coded[256];
    uint8_t length = bytes(coded);
    uint8_t i;

    if (!dw_cobs_decode(coded, length)) {
        (void)printf("no\n");
        return;
    }
    for (i = 1; i < length; i++) {
        (void)printf("%02x", coded[i]);
    }
    (void)printf(length == 1 ? "-\n" : "\n");
}

static void crc(void)
{
    uint8_t plain[256];
    uint8_t length = bytes(plain);
    uint32_t crc32 = DW_CRC32_START;
    uint8_t i;

    for (i = 0; i < length; i++) {
        crc32 = dw_crc32(crc32, plain[i]);
    }
    (void)printf("%" PRIu32 "\n", strcmp(words[0], "crc16") == 0 ? dw_crc16(plain, length) : ~crc32);
}

static void share(void)
{
    uint16_t sum = 0;
    dw_share_t share;
    int i;

    for (i = 2; i < count; i++) {
        sum = (uint16_t)(sum + number(i));
    }
    dw_share_begin(&share, number(1), sum);
    for (i = 2; i < count; i++) {
        (void)printf(i == 2 ? "%" PRIu32 : " %" PRIu32, dw_share_next(&share, (uint16_t)number(i)));
    }
    (void)printf("\n");
}

static void obey(void)
{
    dw_calibration_t channel;

    if (strcmp(words[0], "encode") == 0) {
        encode();
    } else if (strcmp(words[0], "decode") == 0) {
        decode();
    } else if (strncmp(words[0], "crc", 3) == 0) {
        crc();
    } else if (strcmp(words[0], "ticks") == 0) {
        (void)printf("%" PRIu32 "\n", dw_ticks(number(1), number(2), (uint8_t)number(3)));
    } else if (strcmp(words[0], "dose") == 0) {
        channel.m = number(2);
        channel.s = (uint8_t)number(3);
        channel.offset = (int32_t)strtol(words[4], NULL, 10);
        (void)printf("%" PRIu32 "\n", dw_dose_ticks(number(1), &channel));
    } else if (strcmp(words[0], "offset") == 0) {
        channel.m = number(1);
        channel.s = (uint8_t)number(2);
        channel.offset = (int32_t)strtol(words[3], NULL, 10);
        (void)printf("%" PRId32 "\n", dw_offset_ticks(&channel));
    } else if (strcmp(words[0], "slower") == 0) {
        (void)printf("%d\n", dw_slower(number(1), (uint8_t)number(2), number(3), (uint8_t)number(4)));
    } else {
        share();
    }
}

int main(void)
{
    static char line[4096];

    while (fgets(line, sizeof line, stdin) != NULL) {
        char *word;

        line[strcspn(line, "\r\n")] = '\0';
        count = 0;
        for (word = strtok(line, " "); word != NULL && count < WORDS; word = strtok(NULL, " ")) {
            words[count] = word;
            count++;
        }
        obey();
    }
    return 0;
}
