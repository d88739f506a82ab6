"""What the person is told of a controller that started anew in the middle of a pour."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from dosewright.gen.cli import main
from dosewright.hil import restarts
from dosewright.hil.protocols.simulated_port import SimulatedPort
from dosewright.hil.replay import Session
from dosewright.hil.rig import Rig, open_rig
from dosewright.hil.verdicts import Court
from stand import EXAMPLE

RAN = 3000  # ticks of the pour before the reset


@pytest.fixture
def rig(court: Court, built: Callable[[Court], Path]) -> Iterator[Rig]:
    with open_rig(f"host://{built(court)}") as opened:
        Session(opened, court.compiled).prepare()
        yield opened


def told(rig: Rig, court: Court) -> str:
    return restarts.told(rig.client, rig.client.identify(), court.compiled, court.names)


def reset(rig: Rig, kind: str) -> None:
    assert isinstance(rig.bench, SimulatedPort)
    rig.bench.reset(kind)


def pour(rig: Rig, court: Court) -> None:
    (recipe,) = (r for r in court.compiled.recipes.recipes if r.name == "Dock Sour")
    assert rig.client.pour(recipe.number, 0).reason == 0
    rig.wait(RAN, court.compiled.machine.tick_us)


def test_nothing_is_said_after_power_came_on(rig: Rig, court: Court) -> None:
    assert told(rig, court) == ""
    pour(rig, court)
    reset(rig, "power")
    assert told(rig, court) == ""


def test_the_watchdog_at_rest(rig: Rig, court: Court) -> None:
    reset(rig, "watchdog")
    assert told(rig, court).endswith(": its program hung, so its watchdog started it anew")
    reset(rig, "dtr")
    assert told(rig, court) == "", "opening a port does that, and nothing was lost"


@pytest.mark.parametrize(("kind", "why"), [("watchdog", "its program hung"), ("dtr", "it was reset")])
def test_what_was_poured_is_said_in_millilitres(rig: Rig, court: Court, kind: str, why: str) -> None:
    """At the rates of the project's calibration.toml, reckoned here from its text."""
    pour(rig, court)
    booked = [step for step in rig.client.booked() if step.on and step.output < 8]
    assert booked
    reset(rig, kind)
    said = told(rig, court)
    assert why in said and " while it poured Dock Sour, sample; by then had come: " in said
    assert len(re.findall(r" ml \(\d+\.\d{3} s\)", said)) == len(booked)
    for step in booked:
        measured = court.project.calibration.channel[court.compiled.machine.outputs[step.output].name]
        ml = float(measured.rate) * step.on / 1000 + step.starts * float(measured.offset)
        words = f"{court.names.outputs[step.output]} {max(ml, 0):.1f} ml ({step.on / 1000:.3f} s)"
        assert words in said


def test_load_and_replay_say_it(
    court: Court,
    built: Callable[[Court], Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def hung(url: str, _: Path) -> Rig:
        opened = open_rig(url)
        reset(opened, "watchdog")
        return opened

    monkeypatch.setattr("dosewright.hil.rig.open_rig", hung)
    url = f"host://{built(court)}"
    for words in (["load"], ["replay", "--recipe", "Dock Sour", "--serving", "sample"]):
        assert main([words[0], str(EXAMPLE), "--rig", url, *words[1:]]) == 0
        assert "its program hung, so its watchdog started it anew" in capsys.readouterr().err
