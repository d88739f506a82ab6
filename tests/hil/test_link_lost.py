"""A computer that falls silent in mid-pour, on the engine itself: pins, reason, what was poured by then."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from dosewright.gen.codes import Reason, Result, State
from dosewright.hil.hands import Hands
from dosewright.hil.messages import reason_words
from dosewright.hil.regression import cases, fault_cases, replay
from dosewright.hil.replay import Session
from dosewright.hil.rig import Rig, open_rig
from dosewright.hil.verdicts import Court
from stand import EVERY_REACTION, court_of, write_project

LIMIT = 2000  # ticks

Built = Callable[[Court], Path]


def booth(folder: Path, limit: str) -> Court:
    """One slow line, and a button that pours from it; a pour takes 12 s."""
    machine = """
[machine]
name = "Booth"
target = "atmega328p"
vessel = "100 ml"
LIMIT
[channel]
A = { pin = "D4", actuator = "peristaltic pump" }

[button]
enough = { pin = "A1", does = "pour", recipe = "Water", serving = "small" }
""".replace("LIMIT", limit)
    recipes = '[serving]\nsmall = "20 ml"\n[recipe.Water]\nparts = { water = 1 }\n'
    files = {
        "machine.toml": machine,
        "recipes.toml": recipes,
        "loaded.toml": 'A = { liquid = "water" }\n',
        "calibration.toml": '[channel]\nA = { rate = "100 ml/min" }\n',
    }
    return court_of(write_project(folder, files))


@pytest.fixture(scope="module")
def limited(tmp_path_factory: pytest.TempPathFactory) -> Court:
    return booth(tmp_path_factory.mktemp("limited"), 'link_limit = "2 s"')


@pytest.fixture(scope="module")
def endless(tmp_path_factory: pytest.TempPathFactory) -> Court:
    return booth(tmp_path_factory.mktemp("endless"), "")


def edges(rig: Rig) -> list[tuple[int, bool]]:
    assert rig.bench
    return [(edge.tick, edge.level) for edge in rig.bench.take_edges()]


@pytest.mark.parametrize("words", [0, 3])
def test_the_pump_is_off_a_tick_after_the_limit(limited: Court, built: Built, words: int) -> None:
    with open_rig(f"host://{built(limited)}") as rig:
        assert rig.bench
        Hands(rig, limited.compiled).close_interlocks()
        edges(rig)
        assert rig.client.pour(1, 0).reason == 0
        for _ in range(words):
            rig.bench.advance(1500)
            rig.client.status()
        last = rig.bench.tick
        rig.bench.advance(LIMIT + 500)
        (_, on), (off_at, off) = edges(rig)
        assert (on, off) == (True, False)
        # the request is answered in the tick in which its last byte arrives, or the one before it is sent
        assert LIMIT - 2 <= off_at - last <= LIMIT + 2
        status = rig.client.status()
        assert (status.state, status.result, status.reason) == (
            State.IDLE,
            Result.ABORTED,
            Reason.LINK_LOST,
        )
        assert reason_words(status.reason) == "link lost"
        (booked,) = rig.client.booked()
        assert booked.planned == 12_000 and 0 <= booked.on - (1500 * words + LIMIT) < 20


def test_without_a_limit_the_pour_goes_on_to_its_end(endless: Court, built: Built) -> None:
    with open_rig(f"host://{built(endless)}") as rig:
        assert rig.bench
        assert rig.client.pour(1, 0).reason == 0
        rig.bench.advance(13_000)
        assert rig.client.status().result == Result.DONE
        assert rig.client.booked()[0].on == 12_000


def test_a_pour_by_a_button_needs_nobody_on_the_link(limited: Court, built: Built) -> None:
    with open_rig(f"host://{built(limited)}") as rig:
        assert rig.bench
        hands = Hands(rig, limited.compiled)
        hands.close_interlocks()
        rig.client.pour(1, 0)  # one over the link before it changes nothing
        rig.client.stop()
        rig.bench.advance(10)
        rig.bench.set_input(0, limited.compiled.machine.buttons[0].pin.active_high)
        rig.bench.advance(13_000)
        assert rig.client.status().result == Result.DONE
        assert rig.client.booked()[0].on == 12_000


def test_noise_is_no_word_of_a_computer(limited: Court, built: Built) -> None:
    """Bytes that are no request, for as long as a pour takes."""
    url = f"host://{built(limited)}"
    with open_rig(url) as rig:
        assert rig.bench
        assert rig.client.pour(1, 0).reason == 0
        for _ in range(50):
            rig.bench.advance(100)
            rig.client._port.write(b"\x03\x07\x11\x00")
        assert rig.client.status().reason == Reason.LINK_LOST


def test_a_replay_keeps_the_link_alive(limited: Court, built: Built) -> None:
    """Its pour is six times as long as the limit."""
    (verdict,) = replay(limited, lambda: open_rig(f"host://{built(limited)}"), cases(limited.compiled))
    assert verdict.findings == ()


def test_a_replay_asks_four_times_in_the_limit_whatever_the_tick(
    tmp_path: Path, built: Built, monkeypatch: pytest.MonkeyPatch
) -> None:
    court = booth(tmp_path, 'link_limit = "2 s"\ntick = "10 ms"')
    waits = []
    with open_rig(f"host://{built(court)}") as rig:
        assert rig.bench
        session = Session(rig, court.compiled)
        session.prepare()
        advance = rig.bench.advance

        def watched(ticks: int) -> None:
            waits.append(ticks)
            advance(ticks)

        monkeypatch.setattr(rig.bench, "advance", watched)
        record = session.pour(court.compiled.recipes.recipes[0], 0)
    assert court.undisturbed(record).findings == ()
    assert court.compiled.machine.link_limit == 200 and max(waits) * 4 <= 200 and len(waits) > 20


def test_faults_with_pauses_keep_it_alive_too(tmp_path: Path, built: Built) -> None:
    text = EVERY_REACTION["machine.toml"].replace(
        'pause_limit = "2 s"', 'pause_limit = "3 s"\nlink_limit = "2 s"'
    )
    court = court_of(write_project(tmp_path / "stand", {**EVERY_REACTION, "machine.toml": text}))
    played = fault_cases(court.compiled, ["Everything"], ["small"])
    verdicts = list(replay(court, lambda: open_rig(f"host://{built(court)}"), played))
    assert [verdict for verdict in verdicts if verdict.findings] == []
    assert any("stays open" in verdict.case for verdict in verdicts)
