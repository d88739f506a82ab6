/* The requests of LINK.md. */
#include "dw_calibration.h"
#include "dw_engine.h"
#include "dw_link.h"
#include "dw_record.h"
#include "dw_store.h"
#include "dw_trace.h"
#include "machine.h"

#define PROTOCOL 1u
#define ENGINE_MAJOR 0u
#define ENGINE_MINOR 1u

#define IDENTIFY 1u
#define UPLOAD_BEGIN 2u
#define UPLOAD_CHUNK 3u
#define UPLOAD_COMMIT 4u
#define RANGE_CRC 5u
#define READ 6u
#define BACK 7u
#define NAME 8u
#define POUR 16u
#define STOP 17u
#define GO_ON 18u
#define JOG 19u
#define STATUS 32u
#define TRACE 33u
#define BOOKED 34u

#define SPARE 0x20u /* in the letter of a kind: the slot that is not in force */
#define OFFSET_BYTES 4u
#define TRACE_BYTES 6u
#define BOOKED_BYTES 10u

static uint16_t get16(const uint8_t *bytes)
{
    return (uint16_t)(bytes[0] | (uint16_t)((uint16_t)bytes[1] << 8));
}

static uint32_t get32(const uint8_t *bytes)
{
    return get16(bytes) | (uint32_t)get16(bytes + 2) << 16;
}

/* All NUL when there is none. */
static void put_name(void)
{
    dw_record_t unit;
    uint8_t i;

    dw_store_unit(&unit);
    for (i = 0; i < DW_UNIT_NAME; i++) {
        dw_reply8(unit.source == DW_FROM_NOWHERE ? 0 : dw_record8(&unit, i));
    }
}

static void identify(void)
{
    static const uint8_t versions[] DW_ROM = { PROTOCOL, ENGINE_MAJOR, ENGINE_MINOR, DW_RECIPES_FORMAT,
                                               DW_CALIBRATION_FORMAT };
    static const uint8_t digest[] DW_ROM = DW_BUILD_DIGEST;
    uint8_t i;

    for (i = 0; i < sizeof versions; i++) {
        dw_reply8(dw_rom8(&versions[i]));
    }
    dw_reply16(DW_FRAME_LIMIT);
    dw_reply16(DW_TICK_US);
    dw_reply32(DW_INTERFACE);
    for (i = 0; i < sizeof digest; i++) {
        dw_reply8(dw_rom8(&digest[i]));
    }
    dw_reply8(DW_CHANNELS);
    dw_reply8(DW_OUTPUTS);
    dw_reply8(DW_INTERLOCKS);
    dw_reply8(DW_BUTTONS);
    for (i = 0; i < DW_KINDS; i++) {
        dw_reply8(dw_store_record(i)->source);
        dw_reply16(dw_store_mark(i, 0));
        dw_reply16(dw_store_mark(i, 1));
    }
    put_name();
}

static void status(void)
{
    dw_status_t now;
    uint8_t i;

    dw_get_status(&now);
    dw_reply8(now.state);
    dw_reply8(now.result);
    dw_reply8(now.why.reason);
    dw_reply8(now.why.argument);
    dw_reply32(now.tick);
    dw_reply16(now.recipe);
    dw_reply8(now.serving);
    dw_reply16(now.closed);
    dw_reply16(now.pressed);
    dw_reply8((uint8_t)((DW_OUTPUTS + 7u) / 8u));
    for (i = 0; i < (DW_OUTPUTS + 7u) / 8u; i++) {
        dw_reply8(dw_outputs_on(i));
    }
}

static void trace(void)
{
    uint8_t *count;
    dw_trace_t entry;

    dw_reply16(dw_trace_lost());
    count = dw_reply_here();
    dw_reply8(0);
    while (dw_reply_room() >= TRACE_BYTES && dw_trace_take(&entry)) {
        dw_reply32(entry.tick);
        dw_reply8(entry.code);
        dw_reply8(entry.argument);
        (*count)++;
    }
}

static void booked(uint8_t index)
{
    uint8_t *count = dw_reply_here();
    dw_booked_t step;

    dw_reply8(0);
    while (dw_reply_room() >= BOOKED_BYTES && dw_get_booked(index, &step)) {
        dw_reply8(step.output);
        dw_reply8(step.starts);
        dw_reply32(step.planned);
        dw_reply32(step.on);
        (*count)++;
        index++;
    }
}

/* The CRC of a range of the record in force (small letter: of the spare slot), or its bytes. */
static uint8_t range(uint8_t letter, uint32_t offset, uint32_t length, bool as_crc)
{
    uint8_t kind = dw_kind_of((uint8_t)(letter & ~SPARE));
    dw_record_t record;

    if (kind == DW_KINDS) {
        return DW_BAD_RECORD;
    }
    record = *dw_store_record(kind);
    if ((letter & SPARE) != 0) {
        dw_store_spare(kind, &record);
    }
    if (record.source == DW_FROM_NOWHERE) {
        return kind == DW_RECIPES ? DW_NO_RECIPES : DW_NO_CALIBRATION;
    }
    if (offset > record.length || length > record.length - offset || (!as_crc && length > dw_reply_room())) {
        return DW_BAD_LENGTH;
    }
    if (as_crc) {
        dw_reply32(dw_record_crc(&record, (dw_offset_t)offset, (dw_offset_t)length));
        return DW_OK;
    }
    while (length != 0) {
        dw_reply8(dw_record8(&record, (dw_offset_t)offset));
        offset++;
        length--;
    }
    return DW_OK;
}

/* Requests that only ask; DW_UNKNOWN_REQUEST when it is none of them. */
static uint8_t tell(uint8_t type, const uint8_t *payload, uint8_t length)
{
    switch (type) {
    case IDENTIFY:
        identify();
        break;
    case STATUS:
        status();
        break;
    case TRACE:
        trace();
        break;
    case BOOKED:
        booked(length != 0 ? payload[0] : 0);
        break;
    case RANGE_CRC:
        return range(payload[0], get32(payload + 1), get32(payload + 5), true);
    case READ:
        return range(payload[0], get32(payload + 1), payload[5], false);
    default:
        return DW_UNKNOWN_REQUEST;
    }
    return DW_OK;
}

/* Requests that do something, and all others. */
static dw_answer_t carry_out(uint8_t type, const uint8_t *payload, uint8_t length)
{
    switch (type) {
    case UPLOAD_BEGIN:
        return dw_store_begin(dw_kind_of(payload[0]), get32(payload + 1));
    case UPLOAD_CHUNK:
        return dw_store_chunk(get32(payload), payload + OFFSET_BYTES, (uint8_t)(length - OFFSET_BYTES));
    case UPLOAD_COMMIT:
        return dw_store_commit(get32(payload));
    case BACK:
        return dw_store_back(dw_kind_of(payload[0]));
    case NAME:
        return dw_store_name(payload);
    case POUR:
        return dw_pour_over_link(get16(payload), payload[2]);
    case STOP:
        dw_stop();
        return dw_answer(DW_OK, 0);
    case GO_ON:
        return dw_go_on();
    case JOG:
        return dw_jog(payload[0], payload[1] != 0);
    default:
        return dw_answer(tell(type, payload, length), 0);
    }
}

#define ONCE 1u /* is done only once when repeated */
#define IDLE 2u /* is refused unless idle */

/* Payload lengths a request may have, from the least to the most, and what else there is to know before it is done. */
static const struct {
    uint8_t type, least, most, how;
} requests[] DW_ROM = {
    { UPLOAD_BEGIN, 5, 5, ONCE | IDLE },
    { UPLOAD_CHUNK, OFFSET_BYTES, 255, ONCE | IDLE },
    { UPLOAD_COMMIT, 4, 4, ONCE | IDLE },
    { BACK, 1, 1, ONCE | IDLE },
    { NAME, DW_UNIT_NAME + DW_RECORD_TAIL, DW_UNIT_NAME + DW_RECORD_TAIL, ONCE | IDLE },
    { RANGE_CRC, 9, 9, 0 },
    { READ, 6, 6, 0 },
    { POUR, 3, 3, ONCE },
    { JOG, 2, 2, ONCE },
    { BOOKED, 0, 1, 0 },
    { IDENTIFY, 0, 0, 0 },
    { STOP, 0, 0, 0 },
    { GO_ON, 0, 0, ONCE },
    { STATUS, 0, 0, 0 },
    { TRACE, 0, 0, ONCE },
};

#define REQUESTS (sizeof requests / sizeof requests[0])

/* Index of a request, REQUESTS when it is unknown. */
static uint8_t find(uint8_t type)
{
    uint8_t i = 0;

    while (i < REQUESTS && dw_rom8(&requests[i].type) != type) {
        i++;
    }
    return i;
}

bool dw_serve_once(uint8_t type)
{
    uint8_t i = find(type);

    return i < REQUESTS && (dw_rom8(&requests[i].how) & ONCE) != 0;
}

/* DW_OK when a request of this type may have a payload of this length, and now. */
static uint8_t check(uint8_t type, uint8_t length)
{
    uint8_t i = find(type);

    if (i == REQUESTS) {
        return DW_UNKNOWN_REQUEST;
    }
    if (length < dw_rom8(&requests[i].least) || length > dw_rom8(&requests[i].most)) {
        return DW_BAD_LENGTH;
    }
    return (dw_rom8(&requests[i].how) & IDLE) != 0 && !dw_is_idle() ? DW_BUSY : DW_OK;
}

/* Leaves room for reason and argument, which are known only when all is done. */
void dw_serve(uint8_t type, const uint8_t *payload, uint8_t length)
{
    uint8_t *reason = dw_reply_here();
    dw_answer_t result = { check(type, length), 0 };

    dw_reply16(0);
    if (result.reason == DW_OK) {
        result = carry_out(type, payload, length);
    }
    reason[0] = result.reason;
    reason[1] = result.argument;
}
