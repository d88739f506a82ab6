#include "dw_link.h"

#include "dw_cobs.h"
#include "dw_crc.h"
#include "dw_engine.h"

#define SEQUENCE 0u
#define TYPE 1u
#define PAYLOAD 2u
#define CRC_BYTES 2u
#define FRAME_MIN (PAYLOAD + CRC_BYTES)
#define ANSWER 0x80u

static uint8_t received[DW_FRAME_LIMIT - 1]; /* one frame, without its 0x00 */
static uint8_t received_length;
static bool too_long;

/* The last answer as before COBS, kept to be sent again when the same request comes again. */
static uint8_t reply[DW_FRAME_LIMIT - 2];
static uint8_t reply_length;
static uint8_t replied_type;
static uint16_t replied_crc;
static dw_cobs_t sending;
/* A byte the port had no room for. */
static uint8_t held;
static bool is_held;

void dw_link_start(void)
{
    received_length = 0;
    too_long = false;
    reply_length = 0;
    dw_cobs_begin(&sending);
    sending.ended = true;
    is_held = false;
}

void dw_reply8(uint8_t value)
{
    reply[reply_length] = value;
    reply_length++;
}

void dw_reply16(uint16_t value)
{
    dw_reply8((uint8_t)(value & 0xFFu));
    dw_reply8((uint8_t)(value >> 8));
}

void dw_reply32(uint32_t value)
{
    dw_reply16((uint16_t)(value & 0xFFFFu));
    dw_reply16((uint16_t)(value >> 16));
}

uint8_t dw_reply_room(void)
{
    return (uint8_t)(sizeof reply - CRC_BYTES - reply_length);
}

uint8_t *dw_reply_here(void)
{
    return &reply[reply_length];
}

/* Over a frame that carries its own CRC this is 0. */
static uint16_t crc_of(const uint8_t *bytes, uint8_t length)
{
    uint16_t crc = DW_CRC16_START;
    uint8_t i;

    for (i = 0; i < length; i++) {
        crc = dw_crc16(crc, bytes[i]);
    }
    return crc;
}

/* Sends until all is out (true) or the port has no room (false). */
static bool send(void)
{
    while (is_held || dw_cobs_next(&sending, reply, reply_length, &held)) {
        is_held = !dw_port_send(held);
        if (is_held) {
            return false;
        }
    }
    return true;
}

/* True when a request that must not be done twice is the last one again: its answer was lost. The CRC tells a new host
 * from one that repeats: the numbers of both begin alike. */
static bool is_repeat(const uint8_t *frame, uint16_t crc)
{
    return dw_serve_once(frame[TYPE]) && reply_length != 0 && reply[SEQUENCE] == frame[SEQUENCE] &&
           replied_type == frame[TYPE] && replied_crc == crc;
}

/* Answers a request, or sends the last answer again. */
static void handle(const uint8_t *frame, uint8_t length)
{
    const uint8_t *tail = frame + (length - CRC_BYTES);
    uint16_t request_crc = (uint16_t)((uint16_t)((uint16_t)tail[0] << 8) | tail[1]);

    dw_heard(); /* first: a pour that this asks for is not to find the link silent */
    if (!is_repeat(frame, request_crc)) {
        uint16_t crc;

        replied_type = frame[TYPE];
        replied_crc = request_crc;
        reply_length = 0;
        dw_reply8(frame[SEQUENCE]);
        dw_reply8((uint8_t)(frame[TYPE] | ANSWER));
        dw_serve(frame[TYPE], frame + PAYLOAD, (uint8_t)(length - FRAME_MIN));
        crc = crc_of(reply, reply_length);
        dw_reply8((uint8_t)(crc >> 8));
        dw_reply8((uint8_t)(crc & 0xFFu));
    }
    dw_cobs_begin(&sending);
}

/* Drops without an answer what is damaged: it may not even have been meant for us. True when there is an answer. */
static bool end_frame(void)
{
    uint8_t length = 0;
    bool whole = !too_long && dw_cobs_decode(received, received_length, &length);

    received_length = 0;
    too_long = false;
    if (!whole || length < FRAME_MIN || crc_of(received, length) != 0) {
        return false;
    }
    handle(received, length);
    return true;
}

/* Reads nothing while an answer is on its way, so that one buffer for answers is enough; and answers one request at a
 * time, so that no flood of them keeps the main loop from the buttons. */
void dw_link_poll(void)
{
    bool answered = false;
    uint8_t byte;

    while (send() && !answered && dw_port_receive(&byte)) {
        if (byte == 0) {
            answered = end_frame();
        } else if (received_length == sizeof received) {
            too_long = true;
        } else {
            received[received_length] = byte;
            received_length++;
        }
    }
}
