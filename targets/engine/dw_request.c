/* Requests: judged in the main loop between two ticks, carried out by the next tick. */
#include "dw_calibration.h"
#include "dw_number.h"
#include "dw_recipes.h"
#include "dw_state.h"
#include "dw_store.h"

/* The lowest of the open interlocks, as what is in the way. */
static dw_answer_t in_the_way(uint16_t open)
{
    return open != 0 ? dw_answer(DW_INTERLOCK, dw_lowest(open)) : dw_answer(DW_OK, 0);
}

bool dw_is_idle(void)
{
    bool idle;

    dw_port_lock();
    idle = dw_state.state == DW_IDLE && dw_state.asked == DW_ASKED_NOTHING;
    dw_port_unlock();
    return idle;
}

/* The output of a recipe's line that was read. */
static uint8_t output_of(const dw_step_t *line)
{
    return line->phase & (uint8_t)~DW_AFTER_ALL;
}

/* Sum of the weights of the recipe that was read. */
static uint32_t weigh(const dw_step_t *line, const dw_step_t *end)
{
    uint32_t sum = 0;

    for (; line != end; line++) {
        if (output_of(line) < DW_CHANNELS) {
            sum += line->left;
        }
    }
    return sum;
}

/* Puts the ticks of a line in place of its amount; the answer says why it cannot be poured. */
static dw_answer_t reckon(dw_step_t *line, dw_share_t *share)
{
    dw_calibration_t calibration;
    uint8_t output = output_of(line);

    if (output >= DW_CHANNELS) {
        line->left *= dw_recipes_unit();
    } else {
        dw_calibration_get(dw_store_record(DW_CALIBRATION), output, &calibration);
        if (calibration.m == 0) {
            return dw_answer(DW_NOT_CALIBRATED, output);
        }
        if (!dw_calibration_is_sound(&calibration)) { /* a cell rotted since the record was checked */
            return dw_answer(DW_BAD_RECORD, 0);
        }
        line->left = dw_dose_ticks(dw_share_next(share, (uint16_t)line->left), &calibration);
        dw_state.offset_ticks[output] = dw_offset_ticks(&calibration);
    }
    if (line->left == 0) { /* of a stage only where a cell rotted */
        return dw_answer(DW_DOSE_TOO_SMALL, output);
    }
    if (line->left > dw_rom32(&dw_outputs[output].max_on)) {
        return dw_answer(DW_DOSE_TOO_LONG, output);
    }
    return dw_answer(DW_OK, 0);
}

/* A step that waits for its first start. */
static void set_step(dw_step_t *step, uint8_t output, uint8_t after_all, uint32_t ticks)
{
    step->output = output;
    step->after_all = after_all;
    step->phase = DW_WAITING;
    step->starts = 0;
    step->planned = ticks;
    step->left = ticks;
    step->on = 0;
}

/* Reckons the ticks of the recipe that was read. Apart, since built into its caller it takes more room. */
DW_APART static dw_answer_t plan(dw_step_t *line, const dw_step_t *end, uint32_t serving)
{
    uint32_t weights = weigh(line, end);
    dw_answer_t result = { DW_BAD_RECORD, 0 };
    dw_share_t share;

    if (weights == 0 || weights > UINT16_MAX) { /* a cell rotted since the record was checked */
        return result;
    }
    dw_share_begin(&share, serving, (uint16_t)weights);
    do {
        result = reckon(line, &share);
        line++;
    } while (line != end && result.reason == DW_OK);
    return result;
}

/* What keeps a pour from starting: an open interlock, or a vessel that had its share. With nothing in the way the last
 * pour has no result any more: until the tick begins the next one, a reset leaves neither of them, and no mixture. The
 * lock keeps the compiler from writing the steps before that. */
static dw_answer_t obstacle_to_pour(dw_state_t *s)
{
    dw_answer_t result;

    dw_port_lock();
    result = in_the_way(dw_open(s, DW_START_MASK | DW_POURING_MASK | DW_ALWAYS_MASK));
    if (result.reason == DW_OK) {
        if (s->served) {
            result.reason = DW_VESSEL_NOT_CHANGED;
        } else {
            s->why = result;
            s->result = DW_RESULT_NONE;
        }
    }
    dw_port_unlock();
    return result;
}

/* Idle stays idle while this runs, since only the main loop asks for a pour: the steps are its own until it posts. A
 * refused pour leaves the last one readable: so the recipe is read and planned where nobody looks (dw_step.h). */
DW_APART static dw_answer_t ask_for_pour(uint16_t recipe, uint8_t serving, bool over_link)
{
    dw_step_t *step = dw_state.steps;
    dw_state_t *s;
    dw_answer_t result;
    uint32_t quanta;
    uint8_t count;

    if (!dw_is_idle()) {
        return dw_answer(DW_BUSY, 0);
    }
    if (dw_store_record(DW_RECIPES)->source == DW_FROM_NOWHERE) {
        return dw_answer(DW_NO_RECIPES, 0);
    }
    if (dw_store_record(DW_CALIBRATION)->source == DW_FROM_NOWHERE) {
        return dw_answer(DW_NO_CALIBRATION, 0);
    }
    count = dw_recipes_read(dw_recipes_index(recipe), step);
    if (count > DW_STEPS_MAX) { /* DW_NO_RECIPE */
        return dw_answer(DW_UNKNOWN_RECIPE, 0);
    }
    quanta = dw_recipes_serving(serving);
    if (quanta == 0) {
        return dw_answer(DW_UNKNOWN_SERVING, 0);
    }
    if (quanta > DW_VESSEL_QUANTA) {
        return dw_answer(DW_VESSEL_TOO_SMALL, 0);
    }
    result = plan(step, step + count, quanta);
    if (result.reason != DW_OK) {
        return result;
    }
    s = dw_here();
    result = obstacle_to_pour(s);
    if (result.reason != DW_OK) {
        return result;
    }
    s->count = count;
    do {
        set_step(step, output_of(step), step->phase & DW_AFTER_ALL, step->left);
        step++;
        count--;
    } while (count != 0);
    s->recipe = recipe;
    s->serving = serving;
    s->over_link = over_link;
    dw_port_lock(); /* it also keeps the compiler from posting before the steps are written */
    s->asked = DW_ASKED_POUR;
    dw_port_unlock();
    return result;
}

dw_answer_t dw_pour(uint16_t recipe, uint8_t serving)
{
    return ask_for_pour(recipe, serving, false);
}

dw_answer_t dw_pour_over_link(uint16_t recipe, uint8_t serving)
{
    return ask_for_pour(recipe, serving, true);
}

/* One byte, so it needs no lock. */
void dw_heard(void)
{
    dw_state.heard = true;
}

dw_answer_t dw_go_on(void)
{
    dw_state_t *s = dw_here();
    dw_answer_t result = { DW_BUSY, 0 };

    dw_port_lock();
    if (s->state != DW_PAUSED) {
        result.reason = DW_NOTHING_TO_GO_ON_WITH;
    } else if (s->asked == DW_ASKED_NOTHING) {
        result = in_the_way(dw_open_to_go_on(s));
        if (result.reason == DW_OK) {
            s->asked = DW_ASKED_GO_ON;
        }
    }
    dw_port_unlock();
    return result;
}

/* Off: ends a jog of this output; one that still waits for its tick is taken back, else it would run until it lapses.
 * Call under the lock. */
static dw_answer_t release(dw_state_t *s, bool same)
{
    if (same && s->asked == DW_ASKED_JOG) {
        s->asked = DW_ASKED_NOTHING;
    } else if (same && s->state == DW_JOGGING) {
        s->asked = DW_ASKED_RELEASE;
    } else {
        return dw_answer(DW_NOTHING_TO_GO_ON_WITH, 0);
    }
    return dw_answer(DW_OK, 0);
}

/* On: begins a jog, or renews that of this output. Call under the lock. */
static dw_answer_t hold(dw_state_t *s, uint8_t output, bool same)
{
    dw_answer_t result;

    if (s->asked != DW_ASKED_NOTHING || (s->state != DW_IDLE && !(same && s->state == DW_JOGGING))) {
        return dw_answer(DW_BUSY, 0);
    }
    if (s->state == DW_JOGGING) {
        s->asked = DW_ASKED_RENEWAL;
        return dw_answer(DW_OK, 0);
    }
    if (output >= DW_OUTPUTS) {
        return dw_answer(DW_NO_SUCH_OUTPUT, 0);
    }
    result = in_the_way(dw_open(s, (uint16_t)(DW_ALWAYS_MASK | DW_POURING_MASK | dw_needs(output))));
    if (result.reason == DW_OK) {
        set_step(&s->steps[DW_JOG_STEP], output, 0, dw_rom32(&dw_outputs[output].jog_limit));
        s->asked = DW_ASKED_JOG;
    }
    return result;
}

dw_answer_t dw_jog(uint8_t output, bool on)
{
    dw_state_t *s = dw_here();
    bool same = s->steps[DW_JOG_STEP].output == output;
    dw_answer_t result;

    dw_port_lock();
    result = on ? hold(s, output, same) : release(s, same);
    dw_port_unlock();
    return result;
}

void dw_stop(void)
{
    dw_port_lock();
    dw_state.asked_stop = true;
    dw_state.asked = DW_ASKED_NOTHING;
    dw_port_unlock();
}

void dw_get_status(dw_status_t *status)
{
    dw_port_lock();
    status->state = dw_state.state;
    status->result = dw_state.result;
    status->why = dw_state.why;
    status->tick = dw_state.tick;
    status->closed = dw_state.closed;
    status->pressed = dw_state.pressed;
    dw_port_unlock();
    status->recipe = dw_state.recipe;
    status->serving = dw_state.serving;
}

bool dw_get_booked(uint8_t index, dw_booked_t *booked)
{
    const dw_step_t *step;

    if (index >= dw_state.count) {
        return false;
    }
    step = &dw_state.steps[index];
    dw_port_lock();
    booked->output = step->output;
    booked->starts = step->starts;
    booked->planned = step->planned;
    booked->on = step->on;
    dw_port_unlock();
    return true;
}
