"""The walk along the wires, on the engine itself in a simulated machine with misplaced wires."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from dosewright.gen.codes import Code
from dosewright.gen.firmware import build_rig
from dosewright.gen.load import load
from dosewright.gen.lower import lower
from dosewright.gen.problems import UserError
from dosewright.hil.rig import open_rig
from dosewright.hil.verdicts import Court
from dosewright.hil.walk import Question
from dosewright.hil.walk_helpers import Hookup, Simulated
from dosewright.hil.wiring import Conclusion, wires
from dosewright.hil.wiring_mend import mended, write
from dosewright.hil.wiring_sheet import sheet
from tools import need
from walking import PULSE, Walked, inverted, place, swapped, walk_on

EXAMPLE = Path(__file__).parents[2] / "examples" / "soda-cart"
Built = Callable[[Court], Path]


@pytest.fixture
def cart(tmp_path: Path) -> Path:
    folder = tmp_path / "cart"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("build"))
    return folder


def test_a_machine_wired_as_written(court: Court, built: Built) -> None:
    walked = walk(court, built(court))
    assert walked.conclusion == Conclusion((), {}, ())
    assert len(walked.seen) == 3 + 2 + 8 + 2, "interlocks, buttons, pumps, stages with a pin"
    assert "dry" in walked.helper.told[0] and "hands" in walked.helper.told[0]
    assert "supply" in walked.helper.told[0]
    text = sheet(court.project, wires(court.project, court.compiled), walked.seen)
    assert text.count("as written") == 15 and "DIFFERS" not in text


def test_outputs_are_on_one_at_a_time_for_a_moment_and_nothing_is_poured(court: Court, built: Built) -> None:
    walked = walk(court, built(court))
    assert Code.POUR not in {entry.code for entry in walked.trace}, "the start button was tried"
    on: dict[int, int] = {}
    pulses = []
    for edge in walked.edges:
        if edge.level:
            on[edge.output] = edge.tick
            assert len(on) == 1, "one at a time"
        elif edge.output in on:
            pulses.append((edge.output, edge.tick - on.pop(edge.output)))
    assert [output for output, _ in pulses] == [0, 1, 2, 3, 4, 5, 6, 7, 8, 10]
    assert not on
    # above the 500 ms after which a jog that nobody renews ends, below twice the pulse
    assert all(500 < ticks < 2000 * PULSE for _, ticks in pulses)


@pytest.mark.parametrize("labels", [("A", "B"), ("C", "E", "H"), ("D", "stirrer"), ("glass", "guard")])
def test_swapped_wires_are_found_and_mended(
    court: Court, built: Built, labels: tuple[str, ...], cart: Path
) -> None:
    planted = swapped(court, *labels)
    conclusion = walk(court, built(court), planted).conclusion
    for label in labels:
        expected = (
            f"{label} is on pin {planted[label].pin}, not on {place(court, label).pin} as the file says"
        )
        assert expected in conclusion.findings
    assert len(conclusion.findings) == len(labels) and not conclusion.by_hand
    assert {path[1]: value for path, value in conclusion.changes.items()} == {
        label: planted[label].pin for label in labels
    }
    assert mended_walk(cart, conclusion, planted).conclusion == Conclusion((), {}, ())


def walk(
    court: Court,
    program: Path,
    hookups: Mapping[str, Hookup] | None = None,
    shorted: Mapping[str, bool] | None = None,
    helper: type[Simulated] = Simulated,
) -> Walked:
    """Walk on the engine as a process of this computer."""
    with open_rig(f"host://{program}") as rig:
        return walk_on(rig, court, hookups, shorted, helper)


def mended_walk(
    cart: Path, conclusion: Conclusion, hookups: Mapping[str, Hookup], helper: type[Simulated] = Simulated
) -> Walked:
    """Mend the file, build the firmware again, and walk the same machine again."""
    write(cart, mended(cart, conclusion.changes))
    project = load(cart)
    court = Court.of(project, lower(project))
    return walk(court, build_rig(court.compiled, "host", cart / "again"), hookups, helper=helper)


def test_an_output_that_is_on_when_it_should_be_off(court: Court, built: Built, cart: Path) -> None:
    planted = inverted(court, "C")
    walked = walk(court, built(court), planted)
    assert walked.conclusion.findings == ("C is on when its pin is low, not high as the file says",)
    assert walked.conclusion.changes == {("channel", "C", "on_when"): "low"}
    assert walked.conclusion.by_hand == (
        "C: its external resistor has to pull pin D4 up, to the side that holds it off while the controller "
        "resets",
    )
    again = mended_walk(cart, walked.conclusion, planted)
    assert again.conclusion.findings == () and again.helper.asked[1] == "rest"


def test_swapped_and_the_wrong_way_round_at_once(court: Court, built: Built, cart: Path) -> None:
    planted = {"A": Hookup("D7", False), "F": Hookup("D2", True)}
    conclusion = walk(court, built(court), planted).conclusion
    assert conclusion.changes == {
        ("channel", "A", "pin"): "D7",
        ("channel", "A", "on_when"): "low",
        ("channel", "F", "pin"): "D2",
    }
    assert mended_walk(cart, conclusion, planted).conclusion.findings == ()


def test_a_swap_of_two_polarities_keeps_each_with_its_driver(stand: Court, built: Built) -> None:
    """B is on at low, A at high: with their wires crossed both run while off, and only the pins are wrong."""
    walked = walk(stand, built(stand), swapped(stand, "A", "B"))
    assert walked.conclusion.changes == {("channel", "A", "pin"): "D5", ("channel", "B", "pin"): "D4"}
    assert walked.conclusion.findings == (
        "A is on pin D5, not on D4 as the file says",
        "B is on pin D4, not on D5 as the file says",
    )


def test_what_does_not_move_and_what_moves_together(court: Court, built: Built) -> None:
    planted = {"A": Hookup("nowhere", True), "C": place(court, "D")}
    conclusion = walk(court, built(court), planted).conclusion
    assert conclusion.findings == (
        "nothing moved at pin D2 (A): look at its wire, its driver and the supply",
        "nothing moved at pin D4 (C): look at its wire, its driver and the supply",
        "pin D5 moved several at once (C, D): two wires touch, or share a driver or a ground",
    )
    assert not conclusion.changes


def test_a_pin_is_not_given_away_while_its_own_thing_is_not_found(court: Court, built: Built) -> None:
    conclusion = walk(court, built(court), {"A": Hookup("nowhere", True), "B": place(court, "A")}).conclusion
    assert "B is on pin D2, not on D3 as the file says" in conclusion.findings
    assert not conclusion.changes
    assert conclusion.by_hand == (
        "B: put its wire to pin D3; it is on pin D2, which the file has for another whose own place was not "
        "found",
    )


def test_a_switch_the_wrong_way_round_is_for_the_pliers(court: Court, built: Built) -> None:
    """Turned round in the file, a broken wire would read as closed: the other contact is right."""
    walked = walk(court, built(court), inverted(court, "guard"))
    assert "guard is closed when its pin is high, not low as the file says" in walked.conclusion.findings
    assert any("guard reads as closed with its wire off" in finding for finding in walked.conclusion.findings)
    assert not walked.conclusion.changes
    assert walked.conclusion.by_hand[0].startswith("guard: connect the other contact")
    needing = [item for item in walked.seen if "it needs guard" in item.not_tried]
    assert len(needing) == 10, "a jog needs what pouring needs"
    assert not any(edge.level for edge in walked.edges), "no output was switched on"


def test_a_stop_button_the_wrong_way_round_is_mended(tmp_path: Path) -> None:
    """A button that stops may read as pressed without its wire: this one the file can mend."""
    need("cc")
    folder = tmp_path / "stand"
    folder.mkdir()
    text = (EXAMPLE / "machine.toml").read_text().replace('does = "go on"', 'does = "stop"')
    for name in ("recipes.toml", "loaded.toml", "calibration.toml"):
        shutil.copyfile(EXAMPLE / name, folder / name)
    (folder / "machine.toml").write_text(text)
    project = load(folder)
    court = Court.of(project, lower(project))
    planted = inverted(court, "carry on")
    program = build_rig(court.compiled, "host", tmp_path / "rig")
    conclusion = walk(court, program, planted).conclusion
    assert conclusion.findings == ("carry on is pressed when its pin is high, not low as the file says",)
    assert conclusion.changes == {("button", "carry on", "pressed_when"): "high"}
    assert mended_walk(folder, conclusion, planted).conclusion.findings == ()


def test_a_switch_that_nobody_hears_and_one_that_is_shorted(court: Court, built: Built) -> None:
    planted = walk(court, built(court), shorted={"A1": False}).conclusion
    assert planted.findings == (
        "guard: the controller saw nothing when it was moved: look at its wire to pin A1 and at ground",
        "guard reads as closed with its wire off: a broken wire would go unnoticed; look for a short at "
        "pin A1, and use a contact that is closed in the good state",
    )
    dead = walk(court, built(court), {"glass": Hookup("nowhere", False)})
    assert "glass: the controller saw nothing" in dead.conclusion.findings[0]
    assert all("it needs glass" in item.not_tried for item in dead.seen if item.wire.table == "channel")
    assert not any(edge.level for edge in dead.edges)


class Forgetful(Simulated):
    """Lets the guard open once before the pumps' turn, as somebody does who looks into the machine."""

    def ask(self, question: Question) -> str:
        answer = super().ask(question)
        if question.key == "moved B":
            super().ask(Question("open", "", next(w for w in self.wires if w.label == "guard")))
        return answer


def test_an_open_interlock_holds_the_pulse_back_and_says_what_to_do(court: Court, built: Built) -> None:
    walked = walk(court, built(court), helper=Forgetful)
    assert walked.conclusion.findings == ()
    assert "C is not switched on while guard is open." in walked.helper.told
    after = walked.helper.asked[walked.helper.asked.index("moved B") :]
    assert after[:4] == ["moved B", "open guard", "close guard", "moved C"]


class Unhelpful(Simulated):
    """Opens the guard and will not close it again; says of D that nobody was looking."""

    def ask(self, question: Question) -> str:
        if question.key == "close guard" and "moved B" in self.asked:
            return "skip"
        if question.key == "moved B":
            super().ask(Question("open", "", next(w for w in self.wires if w.label == "guard")))
        return super().ask(question)


def test_what_was_not_tried_is_a_finding(court: Court, built: Built) -> None:
    findings = walk(court, built(court), helper=Unhelpful).conclusion.findings
    assert findings[0] == "C: not tried: an interlock that it needs stayed open" and len(findings) == 8


def test_names_are_asked_again_and_again_is_another_pulse(court: Court, built: Built) -> None:
    class Mumbling(Simulated):
        def ask(self, question: Question) -> str:
            answer = super().ask(question)
            heard = self.asked.count("moved A")
            if question.key == "moved A":
                return ["again", "AA", "a"][heard - 1]
            return answer

    walked = walk(court, built(court), helper=Mumbling)
    assert walked.conclusion.findings == ()
    assert "moved A: found 'AA'; did you mean A? or nothing" in walked.helper.told
    assert sum(edge.level for edge in walked.edges if edge.output == 0) == 2

    class Babbling(Simulated):
        def ask(self, question: Question) -> str:
            return "the blue one" if question.act == "moved" else super().ask(question)

    with pytest.raises(UserError, match="moved A: found 'the blue one'"):
        walk(court, built(court), helper=Babbling)


def test_comments_stay_and_the_change_is_shown_first(cart: Path) -> None:
    before = (cart / "machine.toml").read_text()
    change = mended(cart, {("channel", "A", "pin"): "D3", ("channel", "B", "pin"): "D2"})
    assert (cart / "machine.toml").read_text() == before, "nothing is written before it is asked for"
    assert [line[:17] for line in change.shown.splitlines()] == [
        '-A = { pin = "D2"', '-B = { pin = "D3"', '+A = { pin = "D3"', '+B = { pin = "D2"',
    ]  # fmt: skip
    write(cart, change)
    after = (cart / "machine.toml").read_text()
    assert after == before.replace('A = { pin = "D2"', 'A = { pin = "D3"').replace(
        'B = { pin = "D3"', 'B = { pin = "D2"'
    )
    assert sorted(path.name for path in cart.iterdir()) == sorted(
        path.name for path in EXAMPLE.iterdir() if path.name != "build"
    )


def test_a_mend_that_would_be_a_mistake_is_refused(cart: Path) -> None:
    before = (cart / "machine.toml").read_bytes()
    with pytest.raises(UserError, match="pin D3, which channel A has already"):
        mended(cart, {("channel", "A", "pin"): "D3"})
    change = mended(cart, {("channel", "A", "pin"): "D12"})
    (cart / "machine.toml").write_bytes(before + b"# a remark\n")
    with pytest.raises(UserError, match="changed meanwhile"):
        write(cart, change)
    assert (cart / "machine.toml").read_bytes() == before + b"# a remark\n"
