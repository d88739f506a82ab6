"""A real rig as the harness sees it: a person moves switches, nobody watches pins, time passes by itself.

The controller is the twin's; the person moves its switches when asked, and once unasked in mid-pour.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from dosewright.hil import hands
from dosewright.hil.regression import cases, replay
from dosewright.hil.replay import Session
from dosewright.hil.rig import Rig
from dosewright.hil.trouble import RigTrouble
from dosewright.hil.verdicts import Court
from twin_device import TwinDevice


class Passing(Rig):
    """A rig without a bench, whose time passes faster than the computer's."""

    device: TwinDevice

    def wait(self, ticks: int, tick_us: int) -> None:
        self.device.advance(ticks)


@pytest.fixture
def device(court: Court, monkeypatch: pytest.MonkeyPatch) -> TwinDevice:
    device = TwinDevice(court.compiled)
    monkeypatch.setattr(Passing, "device", device, raising=False)
    monkeypatch.setattr(hands.time, "sleep", lambda seconds: device.advance(round(seconds * 1000)))
    return device


class Helpful:
    """Does what is asked, and remembers it."""

    def __init__(self, device: TwinDevice, court: Court) -> None:
        self.device, self.locks = device, court.compiled.machine.interlocks
        self.asked: list[str] = []

    def please(self, what: str) -> None:
        self.asked.append(what)
        (index,) = (i for i, lock in enumerate(self.locks) if lock.name in what)
        self.device.set_input(index, self.locks[index].pin.active_high != what.startswith("take"))


def rig(device: TwinDevice) -> Rig:
    return Passing("/dev/ttyUSB0", device.rig().client, None)


def test_the_person_is_asked_for_every_switch(court: Court, device: TwinDevice) -> None:
    person = Helpful(device, court)
    pours = cases(court.compiled, ["Dock Sour", "Pilot Lemonade"], ["sample"])
    verdicts = list(replay(court, lambda: rig(device), pours, person=person))
    assert [v.findings for v in verdicts] == [(), ()]
    assert not any(v.witness for v in verdicts)
    assert person.asked == [
        "put the vessel in place (glass)",
        "close guard",
        "close stop",
        "take the vessel away (glass)",
        "put the vessel in place (glass)",
    ]


def test_a_person_who_does_nothing(court: Court, device: TwinDevice, monkeypatch: pytest.MonkeyPatch) -> None:
    class Idle:
        def please(self, what: str) -> None:
            pass

    monkeypatch.setattr(hands, "PERSON_WITHIN", 0)
    with pytest.raises(RigTrouble, match=r"waited 0 s in vain: put the vessel in place \(glass\)"):
        list(replay(court, lambda: rig(device), cases(court.compiled), person=Idle()))


def test_a_guard_opened_in_mid_pour_is_followed_from_the_trace_alone(
    court: Court, device: TwinDevice
) -> None:
    """What the controller saw of its inputs goes into the twin, which then must agree with what it did."""
    session = Session(rig(device), court.compiled, Helpful(device, court))
    session.prepare()
    advance: Callable[[int], None] = device.advance
    guard = next(i for i, lock in enumerate(court.compiled.machine.interlocks) if lock.name == "guard")

    def meddling(ticks: int) -> None:
        advance(ticks)
        if meddle and device.elapsed > meddle[0][0]:
            device.set_input(guard, meddle.pop(0)[1])

    (case,) = cases(court.compiled, ["Dock Sour"], ["sample"])
    meddle = [(device.elapsed + 1200, True), (device.elapsed + 2000, False)]
    device.advance = meddling  # type: ignore[method-assign]
    record = session.pour(case.recipe, case.serving)
    assert record.levels is None and {4, 2} <= {entry.code for entry in record.trace}, "it paused and went on"
    assert court.disturbed(record, "guard opened").findings == ()
    assert any("ms early" in finding for finding in court.undisturbed(record).findings), (
        "the plan knew of no guard"
    )
