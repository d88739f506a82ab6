"""Jogs on the cart, followed by hand from RULES.md; ``test_engine_pours.py`` says what the cart has."""

from __future__ import annotations

from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from engine.bench import IDLE, OPEN, VESSEL, Bench, refused


@pytest.fixture
def bench(cart: Path) -> AbstractContextManager[Bench]:
    return Bench(cart)


def test_a_jog_lapses_is_renewed_and_is_limited(bench: AbstractContextManager[Bench]) -> None:
    with bench as c:
        c.ready()
        t = c.tick
        assert c.jog(1, 1).reason == "ok"
        c.run(1000)
        assert c.since(t) == [(1, "on", 1), (501, "off", 1)]
        t = c.tick
        for _ in range(20):
            assert c.jog(0, 1).reason == "ok"
            assert refused(c.pour(1)) == ("busy", 0)
            assert refused(c.jog(1, 1)) == ("busy", 0)
            c.run(300)
        # renewed or not, it ends after 5000 ticks on; the call after that is a new jog
        assert c.since(t)[:2] == [(1, "on", 0), (5001, "off", 0)]


def test_a_jog_ends_by_release_stop_and_interlock(bench: AbstractContextManager[Bench]) -> None:
    with bench as c:
        c.ready()
        for request, payload in ((19, b"\2\0"), (17, b"")):
            t = c.tick
            assert c.jog(2, 1).reason == "ok"
            c.run(100)
            assert c.ask(request, payload).reason == "ok"
            c.run(5)
            assert c.since(t) == [(1, "on", 2), (101, "off", 2)]
            assert refused(c.jog(2, 0)) == ("nothing to go on with", 0)
        t = c.tick
        assert c.jog(2, 1).reason == "ok"
        c.run(100)
        c.level(VESSEL, OPEN)
        c.run(30)
        assert c.since(t) == [(1, "on", 2), (120, "input", 0), (120, "off", 2)]
        assert refused(c.jog(2, 1)) == ("interlock", VESSEL)
        assert c.status()[:4] == (IDLE, 0, 0, 0)


def test_the_dead_time_of_a_group_outlives_pour_and_jog(bench: AbstractContextManager[Bench]) -> None:
    with bench as c:
        c.ready()
        t = c.tick
        assert c.jog(0, 1).reason == "ok"
        c.run(10)
        assert c.jog(0, 0).reason == "ok"
        c.run(1)
        assert c.pour(1).reason == "ok"
        c.run(100)
        assert c.since(t) == [(1, "on", 0), (11, "off", 0), (12, "pour", 0), (61, "on", 0)]
