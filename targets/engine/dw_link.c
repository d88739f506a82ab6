#include "dw_link.h"

#include "dw_cobs.h"
#include "dw_crc.h"

/* Places in the buffer; the first byte is for COBS. */
#define SEQUENCE 1u
#define TYPE 2u
#define REASON 3u
#define ARGUMENT 4u
#define CRC_BYTES 2u
#define FRAME_MIN (1u + 2u + CRC_BYTES) /* as it arrives */
#define ANSWER 0x80u

/* What tells a repeated request from a new one, and what the answer to it was. */
typedef struct {
    uint8_t sequence;
    uint8_t type;
    uint16_t crc;
    dw_answer_t answer;
} dw_last_t;

/* One buffer: a request is answered in place, and nothing is read while the answer is on its way. */
static struct {
    uint8_t at; /* bytes received, or the next to be sent */
    bool sends;
    dw_last_t last;
    uint8_t bytes[DW_FRAME_LIMIT]; /* one frame with its 0x00 */
} line;

void dw_link_start(void)
{
    line.at = 0;
    line.sends = false;
    line.last.type = 0; /* no request */
}

/* Answers the request in the buffer. The CRC tells a new host from one that repeats, since the numbers of both begin
 * alike. */
DW_APART static void answer_request(uint8_t length)
{
    const uint8_t *tail = &line.bytes[length - CRC_BYTES];
    dw_last_t *last = &line.last;
    uint16_t crc = (uint16_t)((uint16_t)((uint16_t)tail[0] << 8) | tail[1]);
    bool repeated = last->crc == crc && last->type == line.bytes[TYPE] && last->sequence == line.bytes[SEQUENCE];
    uint8_t *end;

    last->sequence = line.bytes[SEQUENCE];
    last->type = line.bytes[TYPE];
    last->crc = crc;
    end = dw_serve(&line.bytes[TYPE], (uint8_t)(length - FRAME_MIN), repeated, &last->answer);
    line.bytes[TYPE] |= ANSWER;
    line.bytes[REASON] = last->answer.reason;
    line.bytes[ARGUMENT] = last->answer.argument;
    length = (uint8_t)(end - &line.bytes[SEQUENCE]);
    crc = dw_crc16(&line.bytes[SEQUENCE], length);
    end[0] = (uint8_t)(crc >> 8);
    end[1] = (uint8_t)(crc & 0xFFu);
    end[2] = 0;
    dw_cobs_encode(line.bytes, (uint8_t)(length + CRC_BYTES));
    line.sends = true;
}

/* Drops without an answer what is damaged: it may not even have been meant for us. */
DW_APART static void end_frame(uint8_t length)
{
    line.at = 0;
    if (length >= FRAME_MIN && dw_cobs_decode(line.bytes, length) &&
        dw_crc16(&line.bytes[SEQUENCE], (uint8_t)(length - 1u)) == 0) {
        dw_heard(); /* first: a pour that this asks for is not to find the link silent */
        answer_request(length);
    }
}

/* Answers one request at a time, so that no flood of them keeps the main loop from the buttons. */
void dw_link_poll(void)
{
    uint8_t byte;

    while (!line.sends && dw_port_receive(&byte)) {
        if (byte == 0) {
            end_frame(line.at);
        } else if (line.at == sizeof line.bytes - 1u) {
            line.bytes[0] = 0; /* too long: now it is no COBS */
        } else {
            line.bytes[line.at] = byte;
            line.at++;
        }
    }
    while (line.sends && dw_port_send(line.bytes[line.at])) {
        line.sends = line.bytes[line.at] != 0;
        line.at = line.sends ? (uint8_t)(line.at + 1u) : 0;
    }
}
