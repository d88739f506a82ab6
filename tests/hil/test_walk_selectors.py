"""The walk along the contacts of selectors: swapped ones, a switch of the other kind, one contact turned."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from dosewright.gen.codes import Code
from dosewright.gen.firmware import build_rig
from dosewright.hil.rig import open_rig
from dosewright.hil.verdicts import Court
from dosewright.hil.walk_helpers import Hookup
from dosewright.hil.wiring import Conclusion, wires
from dosewright.hil.wiring_mend import mended, write
from dosewright.hil.wiring_sheet import sheet
from stand import court_of
from walking import Walked, inverted, swapped, walk_on

FERRY = Path(__file__).parents[2] / "examples" / "night-ferry"
CONTACTS = ("menu 1", "menu 2", "menu 4", "menu 8")
Built = Callable[[Court], Path]


@pytest.fixture(scope="module")
def ferry() -> Court:
    return court_of(FERRY)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "ferry"
    shutil.copytree(FERRY, folder, ignore=shutil.ignore_patterns("build"))
    return folder


def walk(court: Court, program: Path, hookups: Mapping[str, Hookup] | None = None) -> Walked:
    with open_rig(f"host://{program}") as rig:
        return walk_on(rig, court, hookups)


def again(folder: Path, conclusion: Conclusion, hookups: Mapping[str, Hookup]) -> Walked:
    """Mend the file, build the firmware again, and walk the same machine again."""
    write(folder, mended(folder, conclusion.changes))
    court = court_of(folder)
    return walk(court, build_rig(court.compiled, "host", folder / "again"), hookups)


def test_every_contact_is_walked_and_on_the_sheet(ferry: Court, built: Built) -> None:
    walked = walk(ferry, built(ferry))
    assert walked.conclusion == Conclusion((), {}, ())
    assert Code.POUR not in {entry.code for entry in walked.trace}
    assert {f"press {label}" for label in CONTACTS} <= set(walked.helper.asked)
    text = sheet(ferry.project, wires(ferry.project, ferry.compiled), walked.seen)
    assert "| A3 | input | menu 8 (selector of the recipe: counts 8) | pressed at low |" in text
    assert "| A5 | input | size 2 (selector of the serving: counts 2) | pressed at low |" in text
    assert "DIFFERS" not in text


def test_swapped_contacts_are_found_and_mended(ferry: Court, built: Built, folder: Path) -> None:
    planted = swapped(ferry, "menu 1", "menu 4", "size 2")
    conclusion = walk(ferry, built(ferry), planted).conclusion
    assert "menu 1 is on pin A2, not on A0 as the file says" in conclusion.findings
    assert conclusion.changes == {
        ("selector", "menu", "pins", 0): "A2",
        ("selector", "menu", "pins", 2): "A5",
        ("selector", "size", "pins", 1): "A0",
    }
    assert again(folder, conclusion, planted).conclusion == Conclusion((), {}, ())


def test_a_switch_of_the_other_kind_is_mended(ferry: Court, built: Built, folder: Path) -> None:
    """Its contacts open for what they count: either way a broken wire is another number."""
    planted = {label: hookup for name in CONTACTS for label, hookup in inverted(ferry, name).items()}
    conclusion = walk(ferry, built(ferry), planted).conclusion
    assert "menu 1 is pressed when its pin is high, not low as the file says" in conclusion.findings
    assert conclusion.changes == {("selector", "menu", "pressed_when"): "high"}
    assert again(folder, conclusion, planted).conclusion == Conclusion((), {}, ())


def test_one_contact_of_the_other_kind_is_for_the_pliers(ferry: Court, built: Built) -> None:
    conclusion = walk(ferry, built(ferry), inverted(ferry, "menu 2")).conclusion
    assert not conclusion.changes
    assert conclusion.by_hand == (
        "menu 2: it works the other way round than the rest of menu; turn it round",
    )
