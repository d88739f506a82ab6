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
#define POUR 16u
#define STOP 17u
#define GO_ON 18u
#define JOG 19u
#define STATUS 32u
#define TRACE 33u
#define BOOKED 34u

#define ANY_LENGTH 255u /* longer than any payload */
#define OFFSET_BYTES 4u
#define ANSWER_AT 2u /* in the frame: reason, then its argument */
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

static dw_answer_t answer(uint8_t reason)
{
    dw_answer_t result = { reason, 0 };

    return result;
}

static uint8_t room(const dw_frame_t *reply)
{
    return (uint8_t)(DW_FRAME_LIMIT - 4u - reply->length);
}

static void put_name(dw_frame_t *reply)
{
    const dw_record_t *record = dw_store_record(DW_CALIBRATION);
    uint8_t length = 0;
    uint8_t i;

    if (record->source != DW_FROM_NOWHERE) {
        while (length < DW_UNIT_NAME && dw_calibration_name(record, length) != 0) {
            length++;
        }
    }
    dw_frame_put8(reply, length);
    for (i = 0; i < length; i++) {
        dw_frame_put8(reply, dw_calibration_name(record, i));
    }
}

static void identify(dw_frame_t *reply)
{
    static const uint8_t digest[] DW_ROM = DW_BUILD_DIGEST;
    uint8_t i;

    dw_frame_put8(reply, PROTOCOL);
    dw_frame_put8(reply, ENGINE_MAJOR);
    dw_frame_put8(reply, ENGINE_MINOR);
    dw_frame_put8(reply, DW_FORMAT);
    dw_frame_put8(reply, DW_FORMAT);
    dw_frame_put16(reply, DW_FRAME_LIMIT);
    dw_frame_put16(reply, DW_TICK_US);
    dw_frame_put32(reply, DW_INTERFACE);
    for (i = 0; i < 8u; i++) {
        dw_frame_put8(reply, dw_rom8(&digest[i]));
    }
    dw_frame_put8(reply, DW_CHANNELS);
    dw_frame_put8(reply, DW_OUTPUTS);
    dw_frame_put8(reply, DW_INTERLOCKS);
    dw_frame_put8(reply, DW_BUTTONS);
    dw_frame_put8(reply, dw_store_record(DW_RECIPES)->source);
    dw_frame_put8(reply, dw_store_record(DW_CALIBRATION)->source);
    put_name(reply);
}

static void status(dw_frame_t *reply)
{
    dw_status_t now;
    uint8_t i;

    dw_get_status(&now);
    dw_frame_put8(reply, now.state);
    dw_frame_put8(reply, now.result);
    dw_frame_put8(reply, now.why.reason);
    dw_frame_put8(reply, now.why.argument);
    dw_frame_put32(reply, now.tick);
    dw_frame_put16(reply, now.recipe);
    dw_frame_put8(reply, now.serving);
    dw_frame_put16(reply, now.closed);
    dw_frame_put16(reply, now.pressed);
    dw_frame_put8(reply, (uint8_t)((DW_OUTPUTS + 7u) / 8u));
    for (i = 0; i < (DW_OUTPUTS + 7u) / 8u; i++) {
        dw_frame_put8(reply, dw_outputs_on(i));
    }
}

static void trace(dw_frame_t *reply)
{
    uint8_t count_at;
    dw_trace_t entry;

    dw_frame_put16(reply, dw_trace_lost());
    count_at = reply->length;
    dw_frame_put8(reply, 0);
    while (room(reply) >= TRACE_BYTES && dw_trace_take(&entry)) {
        dw_frame_put32(reply, entry.tick);
        dw_frame_put8(reply, entry.code);
        dw_frame_put8(reply, entry.argument);
        reply->bytes[count_at]++;
    }
}

static void booked(uint8_t first, dw_frame_t *reply)
{
    uint8_t count_at = reply->length;
    dw_booked_t step;

    dw_frame_put8(reply, 0);
    while (room(reply) >= BOOKED_BYTES && dw_get_booked(first, &step)) {
        dw_frame_put8(reply, step.output);
        dw_frame_put8(reply, step.starts);
        dw_frame_put32(reply, step.planned);
        dw_frame_put32(reply, step.on);
        reply->bytes[count_at]++;
        first++;
    }
}

/* The record in force that a request names, with the range of it that it names, checked. */
static dw_answer_t find_range(uint8_t letter, uint32_t offset, uint32_t length, const dw_record_t **record)
{
    uint8_t kind = dw_kind_of(letter);

    if (kind == DW_KINDS) {
        return answer(DW_BAD_RECORD);
    }
    *record = dw_store_record(kind);
    if ((*record)->source == DW_FROM_NOWHERE) {
        return answer(kind == DW_RECIPES ? DW_NO_RECIPES : DW_NO_CALIBRATION);
    }
    if (offset > (*record)->length || length > (*record)->length - offset) {
        return answer(DW_BAD_LENGTH);
    }
    return answer(DW_OK);
}

static dw_answer_t range_crc(const uint8_t *payload, dw_frame_t *reply)
{
    uint32_t offset = get32(payload + 1);
    uint32_t length = get32(payload + 5);
    const dw_record_t *record;
    dw_answer_t result = find_range(payload[0], offset, length, &record);

    if (result.reason == DW_OK) {
        dw_frame_put32(reply, dw_record_crc(record, (dw_offset_t)offset, (dw_offset_t)length));
    }
    return result;
}

static dw_answer_t read_range(const uint8_t *payload, dw_frame_t *reply)
{
    uint32_t offset = get32(payload + 1);
    uint8_t length = payload[5];
    const dw_record_t *record;
    dw_answer_t result = find_range(payload[0], offset, length, &record);
    uint8_t i;

    if (result.reason == DW_OK && length > room(reply)) {
        result.reason = DW_BAD_LENGTH;
    }
    for (i = 0; result.reason == DW_OK && i < length; i++) {
        dw_frame_put8(reply, dw_record8(record, (dw_offset_t)(offset + i)));
    }
    return result;
}

/* Length a request's payload must have. */
static uint8_t wanted_length(uint8_t type)
{
    switch (type) {
    case UPLOAD_BEGIN:
        return 5;
    case UPLOAD_COMMIT:
        return 4;
    case RANGE_CRC:
        return 9;
    case READ:
        return 6;
    case POUR:
        return 3;
    case JOG:
        return 2;
    case IDENTIFY:
    case STOP:
    case GO_ON:
    case STATUS:
    case TRACE:
        return 0;
    default:
        return ANY_LENGTH;
    }
}

static dw_answer_t carry_out(uint8_t type, const uint8_t *payload, uint8_t length, dw_frame_t *reply)
{
    switch (type) {
    case IDENTIFY:
        identify(reply);
        break;
    case UPLOAD_BEGIN:
        return dw_store_begin(dw_kind_of(payload[0]), get32(payload + 1));
    case UPLOAD_CHUNK:
        if (length < OFFSET_BYTES) {
            return answer(DW_BAD_LENGTH);
        }
        return dw_store_chunk(get32(payload), payload + OFFSET_BYTES, (uint8_t)(length - OFFSET_BYTES));
    case UPLOAD_COMMIT:
        return dw_store_commit(get32(payload));
    case RANGE_CRC:
        return range_crc(payload, reply);
    case READ:
        return read_range(payload, reply);
    case POUR:
        return dw_pour(get16(payload), payload[2]);
    case STOP:
        dw_stop();
        break;
    case GO_ON:
        return dw_go_on();
    case JOG:
        return dw_jog(payload[0], payload[1] != 0);
    case STATUS:
        status(reply);
        break;
    case TRACE:
        trace(reply);
        break;
    case BOOKED:
        if (length > 1u) {
            return answer(DW_BAD_LENGTH);
        }
        booked(length != 0 ? payload[0] : 0, reply);
        break;
    default:
        return answer(DW_UNKNOWN_REQUEST);
    }
    return answer(DW_OK);
}

/* Leaves room for reason and argument, which are known only when all is done. */
void dw_serve(uint8_t type, const uint8_t *payload, uint8_t length, dw_frame_t *reply)
{
    uint8_t wanted = wanted_length(type);
    dw_answer_t result = { DW_BAD_LENGTH, 0 };

    dw_frame_put16(reply, 0);
    if (wanted == ANY_LENGTH || wanted == length) {
        result = carry_out(type, payload, length, reply);
    }
    reply->bytes[ANSWER_AT] = result.reason;
    reply->bytes[ANSWER_AT + 1u] = result.argument;
}
