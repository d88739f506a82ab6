"""A board whose clock is off: found by the fit, and by the link where it is off too far."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from avr.cart import SMALL
from dosewright.gen.cli import main
from dosewright.hil.clock import COVERAGE
from dosewright.hil.rig import open_rig
from dosewright.hil.trouble import RigTrouble


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return shutil.copytree(SMALL, tmp_path / "cart", ignore=shutil.ignore_patterns("build"))


@pytest.mark.parametrize("ppm", [4000, -2500])
def test_the_fit_finds_the_error_within_its_uncertainty(
    folder: Path, ppm: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """A ceramic resonator is off by up to half a percent (common practice, no source)."""
    chosen = [word for number in "1289" for word in ("--recipe", number)]
    command = ["replay", str(folder), *chosen, "--serving", "sample", "--rig", f"avr?ppm={ppm}", "--json"]
    assert main(command) == 0, "ticks are ticks, however long they are"
    clock = json.loads(capsys.readouterr().out)["clock"]
    print(clock)
    assert abs(clock["fast_by"] - ppm / 1e6) <= COVERAGE * clock["standard_uncertainty"]
    assert COVERAGE * clock["standard_uncertainty"] < 5e-4


def test_a_clock_that_is_far_off_garbles_the_link(folder: Path) -> None:
    """The firmware's divider is 2.1 % fast at 115200 baud already; from 4.5 % on bytes are garbage."""
    with open_rig(f"avr://{folder}?ppm=40000") as rig, pytest.raises(RigTrouble):
        rig.client.identify()
