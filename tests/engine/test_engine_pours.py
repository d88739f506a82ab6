"""Pours on the cart, followed by hand from RULES.md.

The cart: channels 0 and 1 share a group with a dead time of 50 ticks; output 2 is a lamp that stays on in a
pause. Interlock 0 detects the vessel (20 samples; its loss pauses), 1 is a guard (5 samples, needed always;
its loss aborts). Buttons 2, 3 and 4 start recipe 1, go on, and stop. Limits: on 40 000, pour 120 000, pause
10 000, jog 5000, jog renewal 500 ticks. All inputs are closed or pressed when low.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from engine.bench import (
    CLOSED,
    GUARD,
    IDLE,
    OPEN,
    START,
    STOP_BUTTON,
    VESSEL,
    WRAP,
    Bench,
    refused,
)
from engine.client import Dose, Stage, calibration, recipes
from engine.shop import SLOW, TICK, offset


@pytest.fixture
def bench(cart: Path) -> AbstractContextManager[Bench]:
    return Bench(cart)


@pytest.mark.parametrize("tick0", [0, 0xFFFFFF00, 0x7FFFFF80])
def test_a_pour(cart: Path, tick0: int) -> None:
    with Bench(cart, ["--tick0", str(tick0)]) as c:
        c.ready()
        t = c.tick
        assert c.pour(1).reason == "ok"
        c.run(1000)
        assert c.since(t) == [
            (1, "pour", 0),
            (1, "on", 0),
            (201, "off", 0),
            (251, "on", 1),
            (351, "off", 1),
            (351, "done", 0),
        ]
        # channel 1 is on when low; pins tell the same as the trace
        at = [((tick - t) % WRAP, output, level) for tick, output, level in c.edges]
        assert at == [(1, 0, 1), (201, 0, 0), (251, 1, 0), (351, 1, 1)]
        assert c.booked() == [(0, 1, 200, 200), (1, 1, 100, 100)]
        assert c.status()[:4] == (IDLE, 1, 0, 0)


def test_a_vessel_taken_and_brought_back(bench: AbstractContextManager[Bench]) -> None:
    with bench as c:
        c.ready(channels=(offset(10), SLOW))
        t = c.tick
        assert c.pour(1).reason == "ok"
        c.run(101)  # channel 0: planned 200 - 10, on from 1
        c.level(VESSEL, OPEN)  # debounced in 121
        c.run(99)
        c.level(VESSEL, CLOSED)  # in 220
        c.run(10)
        assert refused(c.go_on()) == ("interlock", VESSEL)
        c.run(20)
        assert c.go_on().reason == "ok"
        assert refused(c.go_on()) == ("busy", 0)
        c.run(400)
        # on for 120 ticks; 70 were left, less the 10 that ran on: 60
        assert c.since(t) == [
            (1, "pour", 0),
            (1, "on", 0),
            (121, "input", 0),
            (121, "pause", VESSEL),
            (121, "off", 0),
            (220, "input", 128),
            (231, "go on", 0),
            (231, "on", 0),
            (291, "off", 0),
            (341, "on", 1),
            (441, "off", 1),
            (441, "done", 0),
        ]
        assert c.booked() == [(0, 2, 190, 180), (1, 1, 100, 100)]


def test_run_on_that_covers_what_was_left_ends_the_dose(bench: AbstractContextManager[Bench]) -> None:
    with bench as c:
        c.ready(channels=(offset(30), SLOW))
        t = c.tick
        assert c.pour(1).reason == "ok"
        c.run(121)
        c.level(VESSEL, OPEN)  # seen in 141: 140 of 170 on, 30 left, 30 run on
        c.run(50)
        c.level(VESSEL, CLOSED)
        c.run(29)
        assert c.go_on().reason == "ok"
        c.run(200)
        assert [entry for entry in c.since(t) if entry[1] in ("on", "off", "done")] == [
            (1, "on", 0),
            (141, "off", 0),
            (201, "on", 1),
            (301, "off", 1),
            (301, "done", 0),
        ]
        assert c.booked()[0] == (0, 1, 170, 140)


def test_a_lamp_stays_on_in_a_pause_and_the_pour_can_end_in_it(bench: AbstractContextManager[Bench]) -> None:
    with bench as c:
        c.ready()
        t = c.tick
        assert c.pour(2).reason == "ok"  # 300 ticks, then the lamp for 500, which needs no vessel
        c.run(301)
        c.level(VESSEL, OPEN)
        c.run(600)
        assert c.since(t) == [
            (1, "pour", 0),
            (1, "on", 0),
            (301, "off", 0),
            (301, "on", 2),
            (321, "input", 0),
            (801, "off", 2),
            (801, "done", 0),
        ]
        # the vessel went when all was in it: the next may come
        c.level(VESSEL, CLOSED)
        c.run(25)
        assert c.pour(2).reason == "ok"


def test_an_open_guard_aborts(bench: AbstractContextManager[Bench]) -> None:
    with bench as c:
        c.ready()
        t = c.tick
        assert c.pour(1).reason == "ok"
        c.run(60)
        c.level(GUARD, OPEN)
        c.run(30)
        assert c.since(t) == [
            (1, "pour", 0),
            (1, "on", 0),
            (65, "input", GUARD),
            (65, "abort", 2),
            (65, "off", 0),
        ]
        assert c.status()[:4] == (IDLE, 2, 2, GUARD)
        assert c.booked() == [(0, 1, 200, 64), (1, 0, 100, 0)]
        assert refused(c.go_on()) == ("nothing to go on with", 0)


def test_buttons(bench: AbstractContextManager[Bench]) -> None:
    with bench as c:
        c.ready()
        t = c.tick
        c.level(START, CLOSED)  # pressed in 20, pours in 21
        c.run(60)
        c.level(STOP_BUTTON, CLOSED)  # pressed in 65, stops in 66
        c.run(40)
        assert c.since(t) == [
            (20, "input", 128 + START),
            (21, "pour", 0),
            (21, "on", 0),
            (65, "input", 128 + STOP_BUTTON),
            (66, "abort", 1),
            (66, "off", 0),
        ]
        assert c.booked()[0] == (0, 1, 200, 45)
        assert c.status()[:4] == (IDLE, 2, 1, 0)


def shake(c: Bench, contact: int, times: int, opened: int, closed: int) -> None:
    for _ in range(times):
        c.level(contact, OPEN)
        c.run(opened)
        c.level(contact, CLOSED)
        c.run(closed)


def test_a_vessel_whose_contact_bounces_stands_there_still(bench: AbstractContextManager[Bench]) -> None:
    """20 samples in a row; a full vessel must not count as changed."""
    with bench as c:
        c.ready()
        t = c.tick
        shake(c, VESSEL, 20, 19, 1)
        assert c.trace() == []
        c.level(VESSEL, OPEN)
        c.run(30)
        assert c.since(t) == [(420, "input", 0)]
        c.level(VESSEL, CLOSED)
        c.run(19)
        c.level(VESSEL, OPEN)
        c.run(1)
        assert c.trace() == []


@pytest.mark.parametrize(
    ("opened", "closed", "opens"),
    [(1, 2, None), (1, 1, 17), (4, 1, 7), (3, 6, None), (2, 3, 32)],
)
def test_a_guard_that_is_open_for_more_than_a_third_of_the_time_is_open(
    bench: AbstractContextManager[Bench], opened: int, closed: int, opens: int | None
) -> None:
    """5 samples, that is a count of 10: 2 more for one that is open, 1 less for one that is closed."""
    with bench as c:
        c.ready()
        t = c.tick
        shake(c, GUARD, 90 // (opened + closed), opened, closed)
        assert c.since(t)[:1] == ([(opens, "input", 1)] if opens else [])


def test_exactly_max_on_is_legal(bench: AbstractContextManager[Bench]) -> None:
    with bench as c:
        c.ready({1: [Dose(0, 1)]}, [40_000 * TICK, 40_001 * TICK])
        assert refused(c.pour(1, 1)) == ("dose too long", 0)
        assert c.pour(1, 0).reason == "ok"
        c.run(40_100)
        assert c.booked() == [(0, 1, 40_000, 40_000)]
        assert c.status()[1] == 1


def test_max_on_counts_over_a_pause(bench: AbstractContextManager[Bench]) -> None:
    """Each start loses 20 ticks' worth: after one pause the dose needs 40 010 ticks, and gets 40 000."""
    with bench as c:
        c.ready({1: [Dose(0, 1)]}, [39_970 * TICK], (offset(-20), SLOW))
        t = c.tick
        assert c.pour(1).reason == "ok"
        c.run(1000)
        c.level(VESSEL, OPEN)
        c.run(50)
        c.level(VESSEL, CLOSED)
        c.run(50)
        assert c.go_on().reason == "ok"
        c.run(40_000)
        # on 1 .. 1020 (1019 ticks), then from 1101 for the other 38 981
        assert c.since(t)[-2:] == [(40_082, "abort", 3), (40_082, "off", 0)]
        assert c.booked() == [(0, 2, 39_990, 40_000)]
        assert c.status()[:4] == (IDLE, 2, 3, 0)


def test_the_pause_limit(bench: AbstractContextManager[Bench]) -> None:
    with bench as c:
        c.ready()
        t = c.tick
        assert c.pour(1).reason == "ok"
        c.run(100)
        c.level(VESSEL, OPEN)
        c.run(10_200)
        assert c.since(t)[3:] == [(120, "pause", VESSEL), (120, "off", 0), (10_121, "abort", 5)]


def test_the_pour_limit_leaves_pauses_out(bench: AbstractContextManager[Bench]) -> None:
    book: dict[int, list[Dose | Stage]] = {1: [Dose(0, 1), Dose(1, 1), Stage(2, 60_000, True)]}
    with bench as c:
        c.ready(book, [80_000 * TICK])
        t = c.tick
        assert c.pour(1).reason == "ok"
        c.run(10_000)
        c.level(VESSEL, OPEN)
        c.run(5000)
        c.level(VESSEL, CLOSED)
        c.run(30)
        assert c.go_on().reason == "ok"
        c.run(130_000)
        # paused in 10 020, poured on in 15 031: 10 019 + 109 982 whole ticks of pouring make 120 001
        assert c.since(t)[-2:] == [(125_013, "abort", 4), (125_013, "off", 2)]


def test_refusals_come_in_their_order(bench: AbstractContextManager[Bench]) -> None:
    book: dict[int, list[Dose | Stage]] = {
        1: [Dose(0, 1)],
        2: [Dose(0, 4095), Dose(1, 1)],
        3: [Dose(0, 1), Stage(2, 60_001)],
    }
    with bench as c:
        assert refused(c.pour(1)) == ("no recipes", 0)
        assert c.upload(recipes([4 * TICK, 400_001 * 256, 40_001 * TICK], book)).reason == "ok"
        assert refused(c.pour(1)) == ("no calibration", 0)
        assert c.upload(calibration([SLOW, (0, 0, 0)])).reason == "ok"
        assert refused(c.pour(9, 9)) == ("unknown recipe", 0)
        assert refused(c.pour(1, 3)) == ("unknown serving", 0)
        assert refused(c.pour(2, 1)) == ("vessel too small", 0)
        assert refused(c.pour(2, 0)) == ("not calibrated", 1)
        assert c.upload(calibration([SLOW, SLOW])).reason == "ok"
        assert refused(c.pour(2, 0)) == ("dose too small", 1)
        assert refused(c.pour(1, 2)) == ("dose too long", 0)
        assert refused(c.pour(3, 0)) == ("dose too long", 2)
        assert refused(c.pour(1, 0)) == ("interlock", VESSEL)
        c.level(VESSEL, CLOSED)
        c.run(30)
        assert refused(c.pour(1, 0)) == ("interlock", GUARD)
        c.level(GUARD, CLOSED)
        c.run(30)
        assert c.pour(1, 0).reason == "ok"
        assert refused(c.pour(9, 9)) == ("busy", 0)
        c.run(30)
        assert refused(c.pour(1, 0)) == ("vessel not changed", 0)
        c.swap_vessel()
        assert c.pour(1, 0).reason == "ok"
        c.run(30)
        assert refused(c.jog(3, 1)) == ("no such output", 0)
        assert refused(c.jog(3, 0)) == ("nothing to go on with", 0)


def test_a_stop_removes_what_waits(bench: AbstractContextManager[Bench]) -> None:
    with bench as c:
        c.ready()
        assert c.pour(1).reason == "ok"
        assert c.ask(17).reason == "ok"
        c.run(50)
        assert c.trace() == []
        assert c.pour(1).reason == "ok"


def test_a_full_trace_keeps_the_oldest_and_counts_what_it_lost(bench: AbstractContextManager[Bench]) -> None:
    with bench as c:
        c.ready()
        t = c.tick
        for n in range(300):
            c.level(GUARD, OPEN if n % 2 == 0 else CLOSED)
            c.run(5)
        c.lost = 300 - 255
        assert [tick for tick, _, _ in c.since(t)] == [5 * (n + 1) for n in range(255)]
        c.level(GUARD, OPEN)
        c.run(5)
        assert c.since(t) == [(1505, "input", GUARD)]


def test_a_reset_pours_nothing(bench: AbstractContextManager[Bench]) -> None:
    with bench as c:
        c.ready()
        assert c.pour(1).reason == "ok"
        c.run(50)
        c.edges.clear()
        assert c.tell("reset") == "ok 0 " + c.tell("run 0").split()[2]
        c.run(1000)
        assert c.edges == [(0, 0, 0), (0, 1, 1), (0, 2, 0)]
        assert [code for _, code, _ in c.trace()] == ["input", "input"]
