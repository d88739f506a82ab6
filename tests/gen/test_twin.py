"""The rules of targets/engine/RULES.md, each by a small pour reckoned by hand; the twin against itself."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosewright.gen.codes import Code, Reason, Result, State
from dosewright.gen.compiled import Button, Dose, Stage
from dosewright.gen.twin import Twin, run
from dosewright.gen.twin_controller import Controller
from dosewright.gen.twin_inputs import debounce
from dosewright.gen.twin_log import (
    CLOSED,
    Answer,
    Booked,
    Entry,
    Event,
    GoOn,
    Input,
    Jog,
    Outcome,
    Pour,
    Stop,
)
from engine.random_cases import case
from small_machine import PIN, Bench, doses, interlock, story

# The fifteen rules


def test_nothing_skips_ahead_of_a_dose_that_waits() -> None:
    """Output 2 would fit beside output 0 at once, but stands behind output 1, which does not."""
    bench = Bench(doses(20, 10, 5), current=(6, 5, 1), supply=10)
    assert story(bench.pour()) == [
        "10 pour 0", "10 on 0", "30 off 0", "30 on 1", "30 on 2", "35 off 2", "40 off 1", "40 done 0",
    ]  # fmt: skip


def test_a_group_is_free_only_after_its_dead_time_and_keeps_it_over_pours() -> None:
    bench = Bench(doses(5, 5), group=(1, 1), dead_times=(7,))
    outcome = bench.pour(Pour(30, 1, 0))
    assert story(outcome)[:6] == ["10 pour 0", "10 on 0", "15 off 0", "22 on 1", "27 off 1", "27 done 0"]
    assert story(outcome)[6:8] == ["30 pour 0", "34 on 0"]


def test_a_dead_time_of_zero_still_leaves_a_tick() -> None:
    assert story(Bench(doses(5, 5), group=(1, 1), dead_times=(0,)).pour())[2:4] == ["15 off 0", "16 on 1"]


def test_supply_current_is_free_at_once() -> None:
    assert story(Bench(doses(5, 5), supply=1).pour())[2:4] == ["15 off 0", "15 on 1"]


def test_starts_keep_the_inrush_gap() -> None:
    assert story(Bench(doses(20, 20, 20), inrush_gap=4).pour())[:4] == [
        "10 pour 0",
        "10 on 0",
        "14 on 1",
        "18 on 2",
    ]


def test_a_part_poured_last_waits_for_all_before_it() -> None:
    steps = [Dose(0, 20), Dose(1, 5), Dose(2, 3, after_all=True)]
    assert story(Bench(steps).pour())[-3:] == ["30 on 2", "33 off 2", "33 done 0"]


def test_a_pause_switches_every_dose_off_and_goes_on_in_table_order() -> None:
    bench = Bench(doses(20, 30), interlocks=[interlock()], inrush_gap=3)
    outcome = bench.pour(Input(20, 0, False), Input(25, 0, True), GoOn(40))
    assert story(outcome) == [
        "10 pour 0", "10 on 0", "13 on 1", "20 pause 0", "20 off 0", "20 off 1",
        "40 go on 0", "40 on 0", "43 on 1", "50 off 0", "66 off 1", "66 done 0",
    ]  # fmt: skip
    assert (outcome.reason, outcome.argument) == (Reason.INTERLOCK, 0)


def test_going_on_by_itself_only_where_the_machine_says_so() -> None:
    lost = (Input(20, 0, False), Input(25, 0, True))
    assert "25 go on 0" in story(Bench(doses(20), interlocks=[interlock(goes_on=True)]).pour(*lost))
    assert "25 go on 0" not in story(Bench(doses(20), interlocks=[interlock()]).pour(*lost, until=200))


def test_going_on_is_refused_while_the_interlock_is_open() -> None:
    outcome = Bench(doses(20), interlocks=[interlock()]).pour(Input(20, 0, False), GoOn(30), until=40)
    assert outcome.answers == [Answer(0, 0), Answer(Reason.INTERLOCK, 0)] and outcome.state == State.PAUSED


@pytest.mark.parametrize("stays_on", [True, False])
def test_a_stage_stays_on_in_a_pause_where_it_says_so(stays_on: bool) -> None:
    bench = Bench([*doses(20), Stage(1, 50)], interlocks=[interlock()], stays_on=stays_on)
    told = story(bench.pour(Input(20, 0, False), Input(25, 0, True), GoOn(40)))
    assert ("20 off 1" in told) is not stays_on
    assert ("60 off 1" in told) is stays_on and ("80 off 1" in told) is not stays_on


def test_each_restart_takes_the_offset_off_again() -> None:
    """20 ticks less 3 of run-on are planned; after 10 the interruption lets another 3 run on: 4 are left."""
    outcome = Bench(doses(20), offset=3, interlocks=[interlock(goes_on=True)]).pour(
        Input(20, 0, False), Input(30, 0, True)
    )
    assert outcome.booked == [Booked(0, 2, 17, 14)]
    assert story(outcome)[-2:] == ["34 off 0", "34 done 0"]


def test_a_dose_of_which_the_offset_leaves_nothing_has_ended() -> None:
    outcome = Bench(doses(20), offset=3, interlocks=[interlock()]).pour(Input(25, 0, False))
    assert story(outcome)[-3:] == ["25 pause 0", "25 off 0", "25 done 0"]
    assert outcome.booked == [Booked(0, 1, 17, 15)]


def test_exactly_max_on_is_legal_and_a_tick_more_trips() -> None:
    assert Bench(doses(20), max_on=20).pour().result == Result.DONE
    assert Bench(doses(20), max_on=19).pour().answers == [Answer(Reason.DOSE_TOO_LONG, 0)]
    lost = (Input(20, 0, False), Input(30, 0, True))
    tripped = Bench(doses(20), offset=-1, max_on=21, interlocks=[interlock(goes_on=True)]).pour(*lost)
    assert (tripped.result, tripped.reason, tripped.argument) == (Result.ABORTED, Reason.MAX_ON, 0)
    assert tripped.booked == [Booked(0, 2, 21, 21)], "max_on is not reset by going on"
    assert (
        Bench(doses(20), offset=-1, max_on=22, interlocks=[interlock(goes_on=True)]).pour(*lost).result
        == Result.DONE
    )


def test_pour_time_leaves_pauses_out() -> None:
    def with_limit(limit: int) -> Outcome:
        bench = Bench(doses(20), interlocks=[interlock(goes_on=True)], pour_limit=limit)
        return bench.pour(Input(20, 0, False), Input(500, 0, True))

    assert with_limit(20).result == Result.DONE
    assert (with_limit(19).reason, with_limit(19).tick) == (Reason.POUR_LIMIT, 510)


def test_a_pause_has_a_limit_then_aborts() -> None:
    outcome = Bench(doses(20), interlocks=[interlock()], pause_limit=30).pour(Input(20, 0, False))
    assert story(outcome)[-1] == f"51 abort {Reason.PAUSE_LIMIT}"


def test_taking_the_vessel_while_the_ready_lamp_is_on_is_success() -> None:
    """The lamp needs no vessel, so nothing is missing; the served mark goes, and the next pour may come."""
    bench = Bench([*doses(10), Stage(1, 100, after_all=True)], interlocks=[interlock()], vessel=0)
    outcome = bench.pour(Input(60, 0, False), Input(70, 0, True), Pour(200, 1, 0))
    assert outcome.answers[-1] == Answer(0, 0) and outcome.result == Result.DONE
    assert "20 on 1" in story(outcome) and "120 done 0" in story(outcome)


def test_an_abort_books_what_was_on_keeps_its_first_reason_and_cannot_go_on() -> None:
    outcome = Bench(doses(20, 30)).pour(Stop(25), Stop(30), GoOn(40))
    assert story(outcome) == [
        "10 pour 0",
        "10 on 0",
        "10 on 1",
        f"25 abort {Reason.STOP}",
        "25 off 0",
        "25 off 1",
    ]
    assert outcome.booked == [Booked(0, 1, 20, 15), Booked(1, 1, 30, 15)]
    assert outcome.answers[-1] == Answer(Reason.NOTHING_TO_GO_ON_WITH, 0)


def test_an_interlock_whose_loss_aborts() -> None:
    outcome = Bench(doses(20), interlocks=[interlock(), interlock(aborts=True)]).pour(
        Input(15, 0, False), Input(15, 1, False)
    )
    assert (outcome.result, outcome.reason, outcome.argument) == (Result.ABORTED, Reason.INTERLOCK, 1)


def test_a_next_pour_needs_the_vessel_gone_and_present_again() -> None:
    bench = Bench(doses(10), interlocks=[interlock()], vessel=0)
    outcome = bench.pour(Pour(50, 1, 0), Input(60, 0, False), Input(70, 0, True), Pour(80, 1, 0))
    assert [answer.reason for answer in outcome.answers] == [0, Reason.VESSEL_NOT_CHANGED, 0]
    without = Bench(doses(10), interlocks=[interlock()]).pour(Pour(50, 1, 0))
    assert [answer.reason for answer in without.answers] == [0, 0]


def test_a_stop_button_leaves_nothing_of_what_is_pressed_with_it() -> None:
    """Button 0 pours, button 1 stops, button 2 goes on."""
    bench = Bench(doses(20), interlocks=[interlock()])
    actions = (("pour", 1), ("stop", 0), ("go on", 0))
    bench.machine = replace(
        bench.machine, buttons=tuple(Button("", PIN, 1, does, recipe, 0) for does, recipe in actions)
    )
    alone = bench.run(Input(10, 1, True))
    assert story(alone)[:2] == ["11 pour 0", "11 on 0"]
    together = bench.run(Input(10, 1, True), Input(10, 2, True))
    assert story(together) == [] and together.booked == []
    lost = (Input(20, 0, False), Input(25, 0, True))
    assert story(bench.pour(*lost, Input(30, 3, True)))[4] == "31 go on 0"
    assert story(bench.pour(*lost, Input(30, 2, True), Input(30, 3, True)))[4:] == [f"31 abort {Reason.STOP}"]


def test_an_accepted_pour_takes_the_place_of_the_last_one_also_when_it_never_begins() -> None:
    bench = Bench(doses(20))
    assert bench.pour(Stop(15)).reason == Reason.STOP
    outcome = bench.pour(Stop(15), Pour(30, 1, 0), Stop(30))
    assert outcome.answers[-2:] == [Answer(0, 0), Answer(0, 0)]
    assert (outcome.result, outcome.reason, outcome.booked) == (Result.NONE, 0, [Booked(0, 0, 20, 0)])


def test_a_stage_of_no_time_is_refused() -> None:
    outcome = Bench([*doses(20), Stage(1, 0)]).pour()
    assert outcome.answers == [Answer(Reason.DOSE_TOO_SMALL, 1)]


def test_a_jog_needs_renewal_and_ends_at_its_limit() -> None:
    bench = Bench(doses(10), jog_renewal=20)
    assert story(bench.run(Jog(10, 0, True))) == ["10 on 0", "30 off 0"]
    assert story(bench.run(Jog(10, 0, True), Jog(25, 0, True))) == ["10 on 0", "44 off 0"]
    assert story(bench.run(Jog(10, 0, True), Jog(25, 0, False))) == ["10 on 0", "25 off 0"]
    taken_back = bench.run(Jog(10, 0, True), Jog(10, 0, False), Jog(30, 0, False), until=600)
    assert story(taken_back) == []
    assert [answer.reason for answer in taken_back.answers] == [0, 0, Reason.NOTHING_TO_GO_ON_WITH]
    renewed = [Jog(tick, 0, True) for tick in range(10, 300, 15)]
    assert story(bench.run(*renewed))[:2] == ["10 on 0", "110 off 0"]


# Debouncing, by another way: counting samples


@given(st.dictionaries(st.integers(1, 60), st.booleans()), st.integers(1, 6), st.sampled_from([0, None]))
def test_debounced_as_if_every_sample_were_counted(
    raw: dict[int, bool], samples: int, vessel: int | None
) -> None:
    level = count = now = 0
    counted = []
    for tick in range(1, 80):
        now = raw.get(tick, now)
        if now == level:
            count = max(count - 0.5, 0) if level and vessel is None else 0
        else:
            count += 1
        if count >= samples:
            level, count = now, 0
            counted.append((tick, [(0, bool(level))]))
    assert sorted(debounce([raw], [samples], vessel).items()) == counted


@given(st.lists(st.integers(1, 9), min_size=1000, max_size=1000), st.integers(10, 30))
def test_bounces_shorter_than_the_debounce_give_one_edge(bounces: list[int], samples: int) -> None:
    raw, tick = {}, 1
    for index, length in enumerate(bounces):
        raw[tick] = index % 2 == 0
        tick += length
    raw[tick] = True
    start = tick if len(bounces) % 2 == 0 else tick - bounces[-1]
    assert debounce([raw], [samples], None) == {start + samples - 1: [(0, True)]}


# The twin against itself, over the random machines on which it is compared with the engine

SEEDS = st.integers(0, 1 << 30)


@given(SEEDS)
def test_jumping_skips_nothing(seed: int) -> None:
    c = case(seed)
    jumping = run(c.machine, c.recipes, c.calibration, c.log(), tick0=c.tick0, until=c.until)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Controller, "next_tick", lambda self: self.tick + 1)
        assert run(c.machine, c.recipes, c.calibration, c.log(), tick0=c.tick0, until=c.until) == jumping


@given(SEEDS, st.integers(0, (1 << 32) - 1))
def test_the_clock_may_stand_anywhere(seed: int, tick0: int) -> None:
    c = case(seed)
    twin = Twin(c.machine, c.recipes, c.calibration)
    here = twin.run(list(c.events), until=c.ticks)
    moved = [event._replace(tick=(event.tick + tick0) % (1 << 32)) for event in c.events]
    there = twin.run(moved, tick0=tick0, until=(c.ticks + tick0) % (1 << 32))
    assert [e._replace(tick=(e.tick - tick0) % (1 << 32)) for e in there.trace] == list(here.trace)
    assert (there.answers, there.booked, there.state) == (here.answers, here.booked, here.state)


@given(SEEDS)
def test_a_devices_own_trace_is_a_log_of_debounced_inputs(seed: int) -> None:
    c = case(seed)
    first = run(c.machine, c.recipes, c.calibration, c.log(), tick0=c.tick0, until=c.until)
    log: list[Event] = [
        Input(tick, argument & ~CLOSED, argument >= CLOSED)
        for tick, code, argument in first.trace
        if code == Code.INPUT
    ]
    log += [event for event in c.log() if not isinstance(event, Input)]
    again = run(c.machine, c.recipes, c.calibration, log, tick0=c.tick0, until=c.until, debounced=True)
    assert again == first


@given(SEEDS)
def test_what_the_trace_shows_is_what_was_booked_and_allowed(seed: int) -> None:
    """Read from the edges of the last pour alone: on-times, starts, supply, and nothing on outside."""
    c = case(seed)
    outcome = run(c.machine, c.recipes, c.calibration, c.log(), tick0=c.tick0, until=c.until)
    since: dict[int, int] = {}
    energised: dict[int, int] = {}
    for tick, code, argument in outcome.trace:
        at = (tick - c.tick0) % (1 << 32)
        if code == Code.POUR:
            energised = dict.fromkeys(energised, 0)
            assert not since
        if code == Code.ON:
            assert argument not in since
            since[argument] = at
            assert sum(c.machine.outputs[output].current for output in since) <= c.machine.supply
        if code == Code.OFF:
            energised[argument] = energised.get(argument, 0) + at - since.pop(argument)
    assert outcome.state != State.IDLE or not since


def test_entries_of_a_tick_are_in_order() -> None:
    for seed in range(300):
        c = case(seed)
        trace = run(c.machine, c.recipes, c.calibration, c.log(), tick0=c.tick0, until=c.until).trace
        keys = [((e.tick - c.tick0) % (1 << 32), e.code, e.argument & ~CLOSED) for e in trace]
        assert keys == sorted(keys)


def test_events_must_lie_within_the_horizon_and_on_inputs_there_are() -> None:
    bench = Bench(doses(5), interlocks=[interlock()])
    with pytest.raises(ValueError, match="has 1 inputs"):
        bench.run(Input(5, 1, True))
    for tick in (0, 1 << 31):
        with pytest.raises(ValueError, match="lies outside"):
            bench.run(Stop(tick))


def test_the_trace_across_the_wrap() -> None:
    outcome = Bench(doses(20)).pour(tick0=0xFFFFFFF0)
    assert outcome.trace[1:3] == [Entry(0xFFFFFFFA, Code.ON, 0), Entry(0x0000000E, Code.OFF, 0)]
