"""What a reset leaves readable: of a pour that it ended, and nothing else."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from engine.client import Controller, calibration, framed, recipes
from engine.shop import BOOK, SERVINGS, SLOW

VESSEL, GUARD = 0, 1
DONE, ABORTED = 1, 2
RESET = 26
WATCHDOG, RESET_LINE, POWER = 4, 2, 1
CAUSES = {"reset watchdog": WATCHDOG, "reset dtr": RESET_LINE}


def pouring(c: Controller, ticks: int = 50) -> list[tuple[int, int, int, int]]:
    """A cart in mid-pour; what is booked by now."""
    assert c.upload(recipes(SERVINGS, BOOK)).reason == "ok"
    assert c.upload(calibration([SLOW, SLOW])).reason == "ok"
    c.level(VESSEL, 0)
    c.level(GUARD, 0)
    c.run(30)
    assert c.pour(2, 1).reason == "ok"
    c.run(ticks)
    return c.booked()


def change_vessel(c: Controller) -> None:
    for level in (1, 0):
        c.level(VESSEL, level)
        c.run(30)


def cause(c: Controller) -> int:
    return c.ask(1).rest[35]


@pytest.mark.parametrize("command", CAUSES)
def test_what_was_poured_before_a_reset_is_told_after_it(cart: Path, command: str) -> None:
    with Controller(cart) as c:
        assert cause(c) == POWER
        booked = pouring(c)
        assert booked[0][3] == 49, "on in all ticks but the one that is not over"
        c.edges.clear()
        assert c.tell(command).startswith("ok")
        c.run(1)
        assert cause(c) == CAUSES[command]
        assert c.status()[:4] == (0, ABORTED, RESET, CAUSES[command])
        assert c.status()[5:7] == (2, 1), "recipe and serving"
        assert c.booked() == booked
        c.run(1000)
        assert [edge for edge in c.edges if edge[2] != int(edge[1] == 1)] == [], "nothing goes on"
        assert [code for _, code, _ in c.trace()] == ["input"], (
            "the guard; the vessel counts as there already"
        )


def test_a_reset_in_a_pause(cart: Path) -> None:
    with Controller(cart) as c:
        pouring(c)
        c.level(VESSEL, 1)
        c.run(100)
        assert c.status()[0] == 2
        booked = c.booked()
        c.tell("reset watchdog")
        assert c.status()[:4] == (0, ABORTED, RESET, WATCHDOG)
        assert c.booked() == booked


def test_it_is_still_told_when_a_host_resets_the_controller_to_ask(cart: Path) -> None:
    with Controller(cart) as c:
        booked = pouring(c)
        c.tell("reset watchdog")
        c.run(1000)
        c.tell("reset dtr")
        assert cause(c) == RESET_LINE
        assert c.status()[:4] == (0, ABORTED, RESET, WATCHDOG), "the cause that ended the pour"
        assert c.booked() == booked


def test_after_a_power_cycle_nothing_is_told(cart: Path) -> None:
    with Controller(cart) as c:
        pouring(c)
        c.tell("reset power")
        assert c.status()[:4] == (0, 0, 0, 0)
        assert c.status()[5:7] == (0, 0)
        assert c.booked() == []


def test_a_reset_at_rest_leaves_nothing(cart: Path) -> None:
    """Neither of a pour that ended by itself nor of a jog."""
    with Controller(cart) as c:
        pouring(c, 5000)
        assert c.status()[:2] == (0, DONE)
        c.tell("reset watchdog")
        assert c.status()[:4] == (0, 0, 0, 0)
        assert c.booked() == []
        c.run(30)
        assert c.ask(19, b"\0\1").reason == "ok"
        c.run(10)
        c.tell("reset watchdog")
        assert c.status()[:4] == (0, 0, 0, 0)
        assert c.booked() == []


def test_the_vessel_that_was_poured_into_must_be_changed(cart: Path) -> None:
    with Controller(cart) as c:
        pouring(c)
        c.tell("reset watchdog")
        c.run(100)
        assert c.pour(1).reason == "vessel not changed"
        c.level(VESSEL, 1)
        c.run(30)
        c.level(VESSEL, 0)
        c.run(30)
        assert c.pour(1).reason == "ok"
        c.run(1)
        assert c.status()[:3] == (1, 0, 0)


@pytest.mark.parametrize("cause", CAUSES)
def test_a_vessel_that_is_full_stays_so_over_a_reset(cart: Path, cause: str) -> None:
    with Controller(cart) as c:
        pouring(c)
        c.run(2000)
        assert c.status()[0] == 0
        c.tell(cause)
        assert c.status()[:4] == (0, 0, 0, 0) and c.booked() == [], "the pour had ended"
        c.run(30)
        assert c.pour(1).reason == "vessel not changed"
        change_vessel(c)
        assert c.pour(1).reason == "ok"


def test_once_changed_the_vessel_stays_so_over_another_reset(cart: Path) -> None:
    with Controller(cart) as c:
        pouring(c)
        c.tell("reset watchdog")
        change_vessel(c)
        c.tell("reset dtr")
        assert c.status()[:4] == (0, ABORTED, RESET, WATCHDOG), "what was poured is told still"
        c.run(30)
        assert c.pour(1).reason == "ok"


def test_a_vessel_that_was_not_changed_must_be_however_often_the_controller_is_reset(cart: Path) -> None:
    with Controller(cart) as c:
        pouring(c)
        for command in (*CAUSES, *CAUSES):
            c.tell(command)
            assert c.pour(1).reason == "interlock", "the guard"
            c.run(30)
            assert c.pour(1).reason == "vessel not changed"
        change_vessel(c)
        assert c.pour(1).reason == "ok"


def test_a_vessel_taken_when_all_was_in_it_needs_no_other_change(cart: Path) -> None:
    """The stage behind the last dose is cut off by the reset; the next vessel stands there already."""
    with Controller(cart) as c:
        pouring(c, 700)
        assert c.status()[0] == 1 and c.booked()[0][3] == 600
        change_vessel(c)
        assert c.status()[0] == 1
        c.tell("reset watchdog")
        assert c.status()[:4] == (0, ABORTED, RESET, WATCHDOG)
        c.run(30)
        assert c.pour(1).reason == "ok"


def test_a_jog_and_a_reset_in_it_leave_what_was_kept(cart: Path) -> None:
    with Controller(cart) as c:
        booked = pouring(c)
        c.tell("reset watchdog")
        c.run(30)
        assert c.ask(19, b"\0\1").reason == "ok"
        c.run(10)
        assert c.status()[0] == 3
        c.tell("reset dtr")
        assert c.status()[:4] == (0, ABORTED, RESET, WATCHDOG)
        assert c.booked() == booked
        c.run(30)
        assert c.pour(1).reason == "vessel not changed"


def test_from_when_a_pour_is_accepted_the_last_one_is_told_no_more(cart: Path) -> None:
    planned = [(0, 0, 200, 0), (1, 0, 100, 0)]
    with Controller(cart) as c:
        pouring(c)
        c.tell("reset watchdog")
        change_vessel(c)
        assert c.pour(3).reason == "unknown recipe"
        assert c.status()[1:3] == (ABORTED, RESET), "a refused one changes nothing"
        assert c.pour(1).reason == "ok"
        assert c.status()[:4] == (0, 0, 0, 0) and c.status()[5:7] == (1, 0)
        assert c.booked() == planned
        assert c.ask(17).reason == "ok"
        c.run(1)
        assert c.status()[:4] == (0, 0, 0, 0), "stopped before it began"
        assert c.booked() == planned


def test_a_reset_between_accepting_a_pour_and_its_first_tick(cart: Path) -> None:
    with Controller(cart) as c:
        pouring(c)
        c.tell("reset watchdog")
        change_vessel(c)
        assert c.pour(1).reason == "ok"
        c.tell("reset watchdog")
        assert c.status()[:4] == (0, 0, 0, 0), "neither the pour before it nor this one"
        assert c.status()[5:7] == (0, 0)
        assert c.booked() == []
        c.run(30)
        assert c.pour(1).reason == "ok", "nothing is in the vessel"


def test_a_vessel_taken_away_during_the_reset_has_been_changed(cart: Path) -> None:
    with Controller(cart) as c:
        pouring(c)
        c.level(VESSEL, 1)
        c.tell("reset watchdog")
        assert c.pour(1).reason != "ok", "its absence is not debounced yet"
        c.run(30)
        c.level(VESSEL, 0)
        c.run(30)
        assert c.pour(1).reason == "ok"


def test_a_request_repeated_after_a_reset_is_new(cart: Path) -> None:
    stop, go_on = framed(7, 17), framed(8, 18)
    with Controller(cart) as c:
        assert c.raw(stop) == [bytes([7, 0x91, 0, 0])]
        first = c.raw(go_on)
        c.tell("reset dtr")
        assert c.raw(go_on) == first
        assert c.raw(framed(9, 32))[0][4:8] == struct.pack("<BBBB", 0, 0, 0, 0)
