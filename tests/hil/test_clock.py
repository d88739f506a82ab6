"""The controller's clock beside the computer's: the fit, what it says, and one pour in real time."""

from __future__ import annotations

import json
import math
import random
import shutil
import statistics
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from dosewright.gen.cli import main
from dosewright.gen.firmware import build_rig
from dosewright.gen.load import load
from dosewright.gen.lower import lower
from dosewright.hil.clock import COVERAGE, Fit, LongestDose, Reading, fit, longest_dose, words
from dosewright.hil.regression import cases, replay
from dosewright.hil.rig import open_rig
from dosewright.hil.trouble import RigTrouble
from dosewright.hil.verdicts import Court
from project_files import put
from tools import need

EXAMPLE = Path(__file__).parents[2] / "examples" / "soda-cart"

# Without an input, since nobody can move one on a pseudo terminal. The larger dose takes 3 s.
QUICK = {
    "machine.toml": """
[machine]
name = "Quick stand"
target = "atmega328p"
vessel = "20 ml"
inrush_gap = "0 s"

[channel]
A = { pin = "D4", actuator = "peristaltic pump", plausible_rate = "60 ml/min .. 300 ml/min" }
B = { pin = "D5", actuator = "peristaltic pump", plausible_rate = "60 ml/min .. 300 ml/min" }
""",
    "recipes.toml": """
[serving]
cup = "8 ml"

[recipe.Both]
parts = { one = 3, two = 1 }
""",
    "loaded.toml": """
A = { liquid = "one" }
B = { liquid = "two" }
""",
    "calibration.toml": """
[channel]
A = { rate = "120 ml/min" }
B = { rate = "240 ml/min" }
""",
}


def court_of(folder: Path) -> Court:
    project = load(folder)
    return Court.of(project, lower(project))


def told(error: float, count: int, delay: float, seed: int, first: int = 0xFFFFFF00) -> list[Reading]:
    """Readings every 0.2 s of a clock with this error, each at some moment within the delay of its answer."""
    dice = random.Random(seed)
    readings = []
    for index in range(count):
        before = 5.0 + 0.2 * index + dice.uniform(0, 0.05)
        took = delay * dice.uniform(0.5, 2)
        moment = before + took * dice.random()
        tick = first + math.floor((moment - 5.0) * 1000 * (1 + error))
        readings.append(Reading(before, before + took, tick % (1 << 32)))
    return readings


@pytest.mark.parametrize("error", [0.005, 0.0005, 0, -0.005])
def test_the_error_is_found_within_its_uncertainty(error: float) -> None:
    """An honest uncertainty: about 95 fits in 100 lie within twice of it (GUM, JCGM 100:2008, G.6.6)."""
    fits = [fit(told(error, 60, 0.004, seed), 1000) for seed in range(200)]
    off = [(found.error - error) / found.uncertainty for found in fits if found]
    assert len(off) == 200
    assert sum(abs(deviation) <= COVERAGE for deviation in off) >= 180
    assert 0.5 < statistics.stdev(off) < 1.5, "neither boasting nor hiding"
    assert abs(statistics.fmean(off)) < 0.5


def test_the_slope_is_that_of_the_standard_library() -> None:
    """statistics.linear_regression knows no weights: with equal delays both are the same line."""
    readings = [Reading(0.3 * i, 0.3 * i + 0.002, 100 + 301 * i + i * i % 3) for i in range(40)]
    found = fit(readings, 1000)
    times, ticks = [r.before + 0.001 for r in readings], [r.tick / 1000 for r in readings]
    line = statistics.linear_regression(times, ticks)
    assert found and math.isclose(1 + found.error, line.slope, rel_tol=1e-12)
    assert (found.readings, round(found.seconds, 6)) == (40, 11.7)


def test_slow_answers_count_little_and_scatter_is_owned_up_to() -> None:
    quick = told(0.003, 60, 0.003, 1)
    late = [Reading(r.before, r.after + 0.5, r.tick + 20) for r in quick[::7]]
    mixed = sorted([r for i, r in enumerate(quick) if i % 7] + late, key=lambda r: r.before)
    found, alone = fit(mixed, 1000), fit(quick, 1000)
    assert found and alone and abs(found.error - 0.003) < 3 * found.uncertainty
    assert found.uncertainty < 2 * alone.uncertainty
    dice = random.Random(3)
    wild = [Reading(r.before, r.after, r.tick + dice.choice((-40, 40))) for r in quick]
    uneasy = fit(wild, 1000)
    assert uneasy and uneasy.uncertainty > 5 * alone.uncertainty


def test_a_reset_begins_anew_and_few_readings_tell_nothing() -> None:
    before, after = told(0.02, 30, 0.003, 5, first=900_000), told(-0.004, 40, 0.003, 6, first=0)
    moved = [Reading(r.before + 20, r.after + 20, r.tick) for r in after]
    found = fit([*before, *moved], 1000)
    assert found and found.readings == 40 and abs(found.error + 0.004) < 4 * found.uncertainty
    assert fit(after[:7], 1000) is None
    assert fit([Reading(1.0, 1.0, 5)] * 20, 1000) is None
    assert words(None, None) == [
        "clock: too few readings to tell how fast the controller's runs; pour more or longer"
    ]


def test_what_it_means_in_millilitres(court: Court) -> None:
    """A dose of 12.658849 s at 0.5 % fast ends after 12.595869 s: by hand, from the example's calibration."""
    dose = longest_dose(court.compiled, court.names, [(c.recipe, c.serving) for c in cases(court.compiled)])
    assert dose and dose.seconds > 30
    seven = cases(court.compiled, ["Seven Bells"], ["regular"])[0]
    dose = longest_dose(court.compiled, court.names, [(seven.recipe, seven.serving)])
    assert dose and dose.words == "soda (line G) in Seven Bells, regular: 85.71 ml" and dose.seconds == 12.659
    rate = 85.714286 / 12.658849  # ml/s, the offset of soda left out: it is small beside the dose
    assert math.isclose(dose.change_ml(0.005), -rate * 12.658849 * 0.005 / 1.005, rel_tol=0.02)
    assert words(Fit(0.005, 0.0001, 40, 30.0), dose) == [
        "clock: the controller's runs 0.500 % fast, ± 0.020 % (40 readings over 30.0 s)",
        f"  the longest dose ({dose.words}) gets {-dose.change_ml(0.005):.2f} ml too little, "
        f"± {dose.flow_ml * 0.0002:.3f} ml; unless its rate was measured with this very controller",
    ]
    assert "0.500 % slow" in words(Fit(-0.005, 0.0001, 40, 30.0), dose)[0]
    assert "too much" in words(Fit(-0.005, 0.0001, 40, 30.0), dose)[1]
    assert words(Fit(0.0001, 0.0001, 40, 30.0), LongestDose("x", 100.0, 10.0)) == [
        "clock: no error of the controller's seen, within ± 0.020 % (40 readings over 30.0 s)",
        "  in the longest dose (x) that is less than 0.030 ml",
    ]


@pytest.mark.parametrize("ppm", [3000, -5000, 0])
def test_a_simulated_controller_takes_a_clock_error(
    ppm: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    need("cc")
    cart = tmp_path / "cart"
    shutil.copytree(EXAMPLE, cart, ignore=shutil.ignore_patterns("build"))
    command = ["replay", str(cart), "--serving", "regular", "--rig", f"host?ppm={ppm}"]
    assert main([*command, "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    clock = value["clock"]
    assert value["passed"], "ticks are ticks, however long they are"
    assert abs(clock["fast_by"] - ppm / 1e6) <= 3 * clock["standard_uncertainty"]
    assert clock["standard_uncertainty"] < 1e-4
    if ppm > 0:
        assert main(command) == 0
        assert "clock: the controller's runs 0.300 % fast, ± 0.0" in capsys.readouterr().out
        assert main(command[:-2]) == 0
        assert "clock" not in capsys.readouterr().out, "virtual time has no error to find"


@pytest.mark.parametrize("error", ["fast", "nan", "100001", ""])
def test_a_clock_error_that_is_none(error: str, court: Court, built: Callable[[Court], Path]) -> None:
    with pytest.raises(RigTrouble, match="wanted a clock error of -100000 to 100000 millionths"):
        open_rig(f"host://{built(court)}?ppm={error}")


@contextmanager
def real_time(program: Path, *options: str) -> Iterator[str]:
    """The engine in real time; its port."""
    with subprocess.Popen([str(program), "--pty", *options], stdout=subprocess.PIPE, text=True) as child:
        try:
            assert child.stdout
            yield child.stdout.readline().split()[1]
        finally:
            child.terminate()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo terminals")
def test_a_pour_in_real_time(tmp_path: Path) -> None:
    """Real seconds pass on a serial line, and a clock that is 5 % fast is seen as such."""
    need("cc")
    court = court_of(put(tmp_path / "stand", QUICK))
    program = build_rig(court.compiled, "host", tmp_path / "rig")
    readings: list[Reading] = []
    with real_time(program, "--ppm", "50000") as port:
        (verdict,) = replay(court, lambda: open_rig(port), cases(court.compiled), readings=readings)
    assert verdict.findings == () and not verdict.witness and verdict.edges == 4
    found = fit(readings, court.compiled.machine.tick_us)
    assert found and abs(found.error - 0.05) <= 5 * found.uncertainty


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo terminals")
def test_the_verb_tells_of_the_clock_of_a_real_port(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    need("cc")
    folder = put(tmp_path / "stand", QUICK)
    program = build_rig(court_of(folder).compiled, "host", tmp_path / "rig")
    with real_time(program) as port:
        assert main(["replay", str(folder), "--rig", port]) == 0
    out = capsys.readouterr().out
    assert "\n1 pour, 4 edges: " in out and "\nclock: " in out
    refused = subprocess.run([str(program), "--pty", "--ppm", "100001"], capture_output=True, text=True)
    assert refused.returncode == 2 and "not understood: --ppm" in refused.stderr
