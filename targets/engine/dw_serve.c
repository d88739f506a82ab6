/* The requests of LINK.md. */
#include "dw_calibration.h"
#include "dw_link.h"
#include "dw_record.h"
#include "dw_state.h"
#include "dw_store.h"
#include "dw_trace.h"

#define PROTOCOL 2u
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
#define OFFSET_MOST ((dw_offset_t)~(dw_offset_t)0)
#define NUMBER_BYTES 2u
#define TRACE_BYTES 6u
#define TRACE_MOST ((DW_ANSWER_MOST - 5u) / TRACE_BYTES)
#define BOOKED_BYTES 10u
#define BOOKED_MOST ((DW_ANSWER_MOST - 1u) / BOOKED_BYTES)

/* Where the next byte of the answer goes. */
static uint8_t *reply;

static void put8(uint8_t value)
{
    *reply = value;
    reply++;
}

static void put16(uint16_t value)
{
    reply[0] = (uint8_t)(value & 0xFFu);
    reply[1] = (uint8_t)(value >> 8);
    reply += 2;
}

static void put32(uint32_t value)
{
    reply[0] = (uint8_t)(value & 0xFFu);
    reply[1] = (uint8_t)(value >> 8 & 0xFFu);
    reply[2] = (uint8_t)(value >> 16 & 0xFFu);
    reply[3] = (uint8_t)(value >> 24);
    reply += 4;
}

static void put_record(const dw_record_t *record, dw_offset_t offset, uint8_t count)
{
    for (; count != 0; count--) {
        *reply++ = dw_record8(record, offset);
        offset++;
    }
}

static uint16_t get16(const uint8_t *bytes)
{
    return (uint16_t)(bytes[0] | (uint16_t)((uint16_t)bytes[1] << 8));
}

static uint32_t get32(const uint8_t *bytes)
{
    return get16(bytes) | (uint32_t)get16(bytes + 2) << 16;
}

/* An offset or a length into a record; one that no record here has room for is told as the largest of all. */
static dw_offset_t get_offset(const uint8_t *bytes)
{
    uint32_t value = get32(bytes);

    return value > OFFSET_MOST ? OFFSET_MOST : (dw_offset_t)value;
}

#define LOW(number) ((number) & 0xFFu)
#define LOW16(number) LOW(number), LOW((number) >> 8)
#define LOW32(number) LOW16(number), LOW16((number) >> 16)

/* What never changes, as it goes over the link: read as bytes from its beginning on. */
static const struct {
    uint8_t before[13]; /* cppcheck-suppress unusedStructMember */
    uint8_t digest[8]; /* cppcheck-suppress unusedStructMember */
    uint8_t counts[4]; /* cppcheck-suppress unusedStructMember */
} constants DW_ROM = {
    { PROTOCOL, ENGINE_MAJOR, ENGINE_MINOR, DW_RECIPES_FORMAT, DW_CALIBRATION_FORMAT, LOW16(DW_FRAME_LIMIT),
      LOW16(DW_TICK_US), LOW32(DW_INTERFACE) },
    DW_BUILD_DIGEST,
    { DW_CHANNELS, DW_OUTPUTS, DW_INTERLOCKS, DW_BUTTONS },
};

static void identify(void)
{
    const uint8_t *constant = (const uint8_t *)&constants;
    dw_record_t unit;
    uint8_t i;

    for (i = 0; i < sizeof constants; i++) {
        put8(dw_rom8(&constant[i]));
    }
    for (i = 0; i < DW_KINDS; i++) {
        put8(dw_store_record(i)->source);
        put16(dw_store_mark(i, 0));
        put16(dw_store_mark(i, 1));
    }
    put8(dw_port_reset_cause());
    dw_store_unit(&unit);
    if (unit.source != DW_FROM_NOWHERE) {
        put_record(&unit, 0, DW_UNIT_NAME);
    }
}

/* Straight from the state: a copy of it would cost more than that the tick waits meanwhile. */
DW_APART static void status(void)
{
    const dw_state_t *s = dw_here();
    uint8_t i;

    dw_port_lock();
    put8(s->state);
    put8(s->result);
    put8(s->why.reason);
    put8(s->why.argument);
    put32(s->tick);
    put16(s->recipe);
    put8(s->serving);
    put16(s->closed);
    put16(s->pressed);
    put8((uint8_t)((DW_OUTPUTS + 7u) / 8u));
    for (i = 0; i < (DW_OUTPUTS + 7u) / 8u; i++) {
        put8(dw_outputs_on(i));
    }
    dw_port_unlock(); /* not before: an owed tick would be decided in between */
}

/* As many entries as a frame holds. */
static void trace(const uint8_t *payload, uint8_t length)
{
    uint16_t number = length != 0 ? get16(payload) : dw_trace_first();
    uint8_t count;

    put16(dw_trace_let_go(number));
    number = dw_trace_first();
    put16(number);
    count = dw_trace_held();
    count = count < TRACE_MOST ? count : TRACE_MOST;
    put8(count);
    for (; count != 0; count--) {
        const dw_trace_t *entry = dw_trace_entry(number);

        put32(entry->tick);
        put8(entry->code);
        put8(entry->argument);
        number++;
    }
}

static void booked(uint8_t index)
{
    uint8_t steps = index < dw_state.count ? (uint8_t)(dw_state.count - index) : 0;
    const dw_step_t *step = &dw_state.steps[dw_state.count - steps];

    steps = steps < BOOKED_MOST ? steps : BOOKED_MOST;
    put8(steps);
    for (; steps != 0; steps--) {
        dw_port_lock();
        put8(step->output);
        put8(step->starts);
        put32(step->planned);
        put32(step->on);
        dw_port_unlock();
        step++;
    }
}

/* The CRC of a range of the record in force (small letter: of the spare slot), or its bytes. */
static uint8_t range(const uint8_t *payload, bool as_crc)
{
    uint8_t letter = payload[0];
    uint8_t kind = dw_kind_of((uint8_t)(letter & ~SPARE));
    dw_offset_t offset = get_offset(payload + 1);
    dw_offset_t length = as_crc ? get_offset(payload + 5) : payload[5];
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
    if (offset > record.length || length > record.length - offset || (!as_crc && length > DW_ANSWER_MOST)) {
        return DW_BAD_LENGTH;
    }
    if (as_crc) {
        put32(dw_record_crc(&record, offset, length));
    } else {
        put_record(&record, offset, (uint8_t)length);
    }
    return DW_OK;
}

/* A request that is known, with a payload of a length that it may have. */
static dw_answer_t carry_out(uint8_t type, const uint8_t *payload, uint8_t length)
{
    uint8_t reason = DW_OK;

    switch (type) {
    case UPLOAD_BEGIN:
        return dw_store_begin(dw_kind_of(payload[0]), get_offset(payload + 1));
    case UPLOAD_CHUNK:
        return dw_store_chunk(get_offset(payload), payload + OFFSET_BYTES, (uint8_t)(length - OFFSET_BYTES));
    case UPLOAD_COMMIT:
        return dw_store_commit(get32(payload));
    case BACK:
        return dw_store_back(dw_kind_of(payload[0]));
    case NAME:
        return dw_store_name(payload);
    case POUR:
        return dw_pour_over_link(get16(payload), payload[2]);
    case GO_ON:
        return dw_go_on();
    case JOG:
        return dw_jog(payload[0], payload[1] != 0);
    case STOP:
        dw_stop();
        break;
    case IDENTIFY:
        identify();
        break;
    case STATUS:
        status();
        break;
    case TRACE:
        trace(payload, length);
        break;
    case BOOKED:
        booked(length != 0 ? payload[0] : 0);
        break;
    case RANGE_CRC:
        reason = range(payload, true);
        break;
    default: /* READ */
        reason = range(payload, false);
        break;
    }
    return dw_answer(reason, 0);
}

#define ONCE 1u /* is done only once when repeated */
#define IDLE 2u /* is refused unless idle */
#define MORE 4u /* the payload may be longer */
#define BARE 8u /* the payload may be left out */

/* The length of a request's payload, and what else there is to know before it is done. */
typedef struct {
    uint8_t type, length, how;
} request_t;

static const request_t requests[] DW_ROM = {
    { UPLOAD_BEGIN, 5, ONCE | IDLE },
    { UPLOAD_CHUNK, OFFSET_BYTES, ONCE | IDLE | MORE },
    { UPLOAD_COMMIT, 4, ONCE | IDLE },
    { BACK, 1, ONCE | IDLE },
    { NAME, DW_UNIT_NAME + DW_RECORD_TAIL, ONCE | IDLE },
    { RANGE_CRC, 9, 0 },
    { READ, 6, 0 },
    { POUR, 3, ONCE },
    { JOG, 2, ONCE },
    { BOOKED, 1, BARE },
    { IDENTIFY, 0, 0 },
    { STOP, 0, 0 },
    { GO_ON, 0, ONCE },
    { STATUS, 0, 0 },
    { TRACE, NUMBER_BYTES, BARE },
};

#define REQUESTS_END (requests + sizeof requests / sizeof requests[0])

uint8_t *dw_serve(uint8_t *frame, uint8_t length, bool repeated, dw_answer_t *answer)
{
    const request_t *request = requests;
    uint8_t how;
    uint8_t wanted;

    reply = frame + 3;
    while (dw_rom8(&request->type) != frame[0]) {
        request++;
        if (request == REQUESTS_END) {
            *answer = dw_answer(DW_UNKNOWN_REQUEST, 0);
            return reply;
        }
    }
    how = dw_rom8(&request->how);
    wanted = dw_rom8(&request->length);
    if (repeated && (how & ONCE) != 0) {
        return reply;
    }
    if (length != wanted && !((how & MORE) != 0 && length > wanted) && !((how & BARE) != 0 && length == 0)) {
        *answer = dw_answer(DW_BAD_LENGTH, 0);
    } else if ((how & IDLE) != 0 && !dw_is_idle()) {
        *answer = dw_answer(DW_BUSY, 0);
    } else {
        *answer = carry_out(frame[0], frame + 1, length);
    }
    return reply;
}
