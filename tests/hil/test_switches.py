"""Pours asked for with the machine's own buttons and selectors, on the engine itself and by a person."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from pytest_subtests import SubTests

from dosewright.gen.cli import main
from dosewright.gen.firmware import build_rig
from dosewright.gen.problems import UserError
from dosewright.hil import hands
from dosewright.hil.junit import junit
from dosewright.hil.regression import replay, switch_cases
from dosewright.hil.replay import Session
from dosewright.hil.rig import Rig, open_rig
from dosewright.hil.verdicts import Court
from stand import court_of
from tools import need
from twin_device import TwinDevice

FERRY = Path(__file__).parents[2] / "examples" / "night-ferry"

Built = Callable[[Court], Path]


@pytest.fixture(scope="module")
def ferry() -> Court:
    return court_of(FERRY)


def test_every_recipe_and_serving_is_dialled_and_judged(
    ferry: Court, built: Built, subtests: SubTests
) -> None:
    asked, beyond = switch_cases(ferry)
    assert beyond == []
    everything = {(r.name, s) for r in ferry.compiled.recipes.recipes for s in ferry.compiled.serving_names}
    seen = set()
    for verdict in replay(ferry, lambda: open_rig(f"host://{built(ferry)}"), asked):
        with subtests.test(recipe=verdict.recipe, serving=verdict.serving, by=verdict.by):
            assert verdict.findings == ()
            assert verdict.witness and verdict.edges >= 2
        if verdict.by.startswith("start, "):
            seen.add((verdict.recipe, verdict.serving))
    assert seen == everything and len(asked) == len(everything) + 3, "house tea at three sizes"


def test_each_setting_closes_the_contacts_of_its_numbers(ferry: Court) -> None:
    asked, _ = switch_cases(ferry, ["Fog Bank"], ["tankard"])
    (setting,) = [case.by for case in asked]
    assert setting is not None and str(setting) == "start, menu at 11, size at 2"
    names = {ferry.compiled.machine.buttons[index].name: pressed for index, pressed in setting.contacts}
    assert {name for name, pressed in names.items() if pressed} == {"menu 1", "menu 2", "menu 8", "size 2"}
    assert {name for name, pressed in names.items() if not pressed} == {"menu 4", "size 1"}


@pytest.mark.parametrize("slip", ["contacts swapped", "a contact that counts nothing", "another recipe"])
def test_a_slip_in_the_firmware_is_seen(ferry: Court, tmp_path: Path, slip: str) -> None:
    need("cc")
    start, tea, carry_on, one, two, *rest = ferry.compiled.machine.buttons
    slips = {
        "contacts swapped": (start, tea, carry_on, replace(one, recipe=2), replace(two, recipe=1), *rest),
        "a contact that counts nothing": (start, tea, carry_on, replace(one, recipe=0), two, *rest),
        "another recipe": (start, replace(tea, recipe=3), carry_on, one, two, *rest),
    }
    machine = replace(ferry.compiled.machine, buttons=slips[slip])
    asked, _ = switch_cases(ferry, ["Deck Watch Tea"], ["cup"])
    program = build_rig(replace(ferry.compiled, machine=machine), "host", tmp_path)
    verdicts = []
    with open_rig(f"host://{program}") as rig:
        session = Session(rig, ferry.compiled)
        session.close_interlocks()  # not prepared: its build digest would tell the slip at once
        for case in asked:
            record = session.pour(case.recipe, case.serving, by=case.by)
            verdicts.append(ferry.undisturbed(record))
    failed = {verdict.by.partition(",")[0] for verdict in verdicts if not verdict.passed}
    assert failed == ({"house tea"} if slip == "another recipe" else {"start"})


def test_the_same_vessel_gets_no_second_pour(
    ferry: Court, built: Built, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked, _ = switch_cases(ferry, ["Deck Watch Tea"], ["cup"])
    with open_rig(f"host://{built(ferry)}") as rig:
        session = Session(rig, ferry.compiled)
        session.prepare()
        first = session.pour(asked[0].recipe, 0, by=asked[0].by)
        monkeypatch.setattr(session, "_change_vessel", lambda: None)
        second = session.pour(asked[0].recipe, 0, by=asked[0].by)
    assert ferry.undisturbed(first).passed
    verdict = ferry.undisturbed(second)
    assert "no pour began when the button was pressed" in verdict.findings
    assert b"start, menu at 1, size at 0" in junit([verdict], "x", "host")


def test_what_no_switch_asks_for_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    need("cc")
    folder = tmp_path / "ferry"
    shutil.copytree(FERRY, folder, ignore=shutil.ignore_patterns("build"))
    text = (folder / "machine.toml").read_text(encoding="utf-8").replace("positions = 14", "positions = 2 ")
    (folder / "machine.toml").write_text(text, encoding="utf-8")
    chosen = ["--recipe", "1", "--recipe", "2", "--serving", "cup"]
    assert main(["replay", str(folder), "--by-switches", *chosen]) == 0
    printed = capsys.readouterr().out
    assert "start, menu at 1, size at 0" in printed and "house tea, size at 0" in printed
    assert "no switch asks for it: Engine Room Chai, cup" in printed
    assert main(["replay", str(folder), "--by-switches", "--json", *chosen]) == 0
    report = json.loads(capsys.readouterr().out)
    assert report["no_switch_asks_for"] == [{"recipe": "Engine Room Chai", "serving": "cup"}]
    assert [pour["asked_for_by"] for pour in report["pours"]][1] == "house tea, size at 0"


def test_a_machine_without_a_button_that_pours(stand: Court) -> None:
    with pytest.raises(UserError, match="no button of this machine pours any of these"):
        switch_cases(stand)


class Passing(Rig):
    """A rig without a bench, whose time passes faster than the computer's."""

    device: TwinDevice

    def wait(self, ticks: int, tick_us: int) -> None:
        self.device.advance(ticks)


class Dialling:
    """A person who sets what is asked for, presses and lets go."""

    def __init__(self, device: TwinDevice, court: Court) -> None:
        self.device, self.court = device, court
        self.asked: list[str] = []

    def please(self, what: str) -> None:
        self.asked.append(what)
        machine = self.court.compiled.machine
        inputs = (*machine.interlocks, *machine.buttons)
        for index, described in enumerate(inputs):
            if index < len(machine.interlocks) and described.name in what:
                self.device.set_input(index, described.pin.active_high != what.startswith("take"))
            name, _, value = described.name.rpartition(" ")
            if f"{name} to " in what and value.isdigit():
                at = int(what.partition(f"{name} to ")[2].split()[0])
                self.device.set_input(index, described.pin.active_high == bool(at & int(value)))
            if what == f"press {described.name}":
                self.device.set_input(index, described.pin.active_high)
                self.device.advance(100)
                self.device.set_input(index, not described.pin.active_high)


def test_a_person_is_asked_to_dial_and_to_press(ferry: Court, monkeypatch: pytest.MonkeyPatch) -> None:
    device = TwinDevice(ferry.compiled)
    monkeypatch.setattr(Passing, "device", device, raising=False)
    monkeypatch.setattr(hands.time, "sleep", lambda seconds: device.advance(round(seconds * 1000)))
    person = Dialling(device, ferry)
    asked, _ = switch_cases(ferry, ["Deck Watch Tea"], ["mug"])
    rig = Passing("/dev/ttyUSB0", device.rig().client, None)
    verdicts = list(replay(ferry, lambda: rig, asked, person=person))
    assert [verdict.findings for verdict in verdicts] == [(), ()]
    assert person.asked[-5:] == [
        "set menu to 1 and size to 1",
        "press start",
        "take the vessel away (mug)",
        "put the vessel in place (mug)",
        "press house tea",
    ]
