"""A machine whose outputs lie on too many ports is warned of, and following the advice ends that."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dosewright.gen import targets
from dosewright.gen.load import load
from dosewright.gen.problems import Problem
from project_files import LEAST, put

BOARD = "atmega2560"
# one pin of each port, A to L; pins_arduino.h of the Arduino AVR core, variant mega
EACH = {
    "A": "D22", "B": "D10", "C": "D37", "D": "D18", "E": "D2", "F": "A0",
    "G": "D4", "H": "D6", "J": "D14", "K": "A8", "L": "D42",
}  # fmt: skip


def found(folder: Path, pins: list[str], more: str = "") -> list[Problem]:
    """What is said of a machine with outputs on these pins."""
    machine = f'[machine]\nname = "Tray"\ntarget = "{BOARD}"\nvessel = "400 ml"\n[channel]\n'
    machine += "".join(
        f'c{n} = {{ pin = "{pin}", actuator = "peristaltic pump" }}\n' for n, pin in enumerate(pins)
    )
    rest = {
        "loaded.toml": "".join(f'c{n} = {{ liquid = "{n}" }}\n' for n in range(len(pins))),
        "recipes.toml": '[serving]\nregular = "150 ml"\n[recipe.One]\nparts = { 0 = 1 }\n',
        "calibration.toml": "[channel]\n",
    }
    return list(load(put(folder, {**LEAST, **rest, "machine.toml": machine + more})).problems)


@pytest.mark.parametrize("letters", ["A", "ABCDEFG", "GHJKL", "ABCDEFGL", "ABCDEFHL"])
def test_a_few_ports_are_no_matter(tmp_path: Path, letters: str) -> None:
    """Up to 8 cycles: one for a port as far as G, two for one behind it, nothing for the last."""
    assert found(tmp_path, [EACH[letter] for letter in letters]) == []


@pytest.mark.parametrize(("letters", "cycles"), [("BCFHJKL", 9), ("ABCDEFGHJKL", 13)])
def test_outputs_on_many_ports_are_named_and_can_be_moved_as_advised(
    tmp_path: Path, letters: str, cycles: int
) -> None:
    pins = [EACH[letter] for letter in letters]
    (problem,) = found(tmp_path, pins)
    assert problem.warning and problem.file == "machine.toml" and problem.field.endswith(".pin")
    assert f"on {len(letters)} ports" in problem.found and f"up to {cycles} cycles" in problem.found
    assert problem.wanted == "at most 8 cycles"
    first = re.findall(r"channel\.c(\d+)\.pin", problem.field)
    assert problem.line == 6 + int(first[0])
    said = re.fullmatch(
        r"move (.*) to pins of the other ports, of which these are free: (.*)", problem.remedy
    )
    assert said
    moved, free = [re.findall(r"c(\d+)", said[1]), said[2].split(", ")]
    assert moved[0] == first[0] and set(free).isdisjoint(pins)
    for number, pin in zip(moved, free, strict=False):
        pins[int(number)] = pin
    assert found(tmp_path, pins) == []


def test_a_lone_output_moves_to_where_most_are(tmp_path: Path) -> None:
    crowd = ["D22", "D23", "D24", "D10", "D11", "D6", "D7", "D14", "D15", "A8", "A9", "D42", "D43"]
    assert found(tmp_path, crowd) == []
    (problem,) = found(tmp_path, crowd, '[stage.fan]\npin = "D2"\n')
    assert problem.field == "stage.fan.pin"
    assert problem.remedy.startswith("move stage fan to pins of the other ports")
    assert "D3" not in problem.remedy and "D8, D9" in problem.remedy  # D3 is on the port of D2


def test_pins_of_inputs_are_not_free(tmp_path: Path) -> None:
    pins = list(EACH.values())
    inputs = "".join(f'[button."{pin}"]\npin = "{pin}"\ndoes = "stop"\n' for pin in ("D23", "D24", "D25"))
    (problem,) = found(tmp_path, pins, inputs)
    listed = problem.remedy.partition("these are free: ")[2].split(", ")
    assert listed and set(listed).isdisjoint(("D23", "D24", "D25"))


def test_where_the_other_ports_are_full_it_says_so(tmp_path: Path) -> None:
    target = targets.read(BOARD)
    full = [target.pin[EACH[letter]].port for letter in "ABHJKL"]
    pins = [name for name, pin in target.pin.items() if pin.port in full and not pin.not_output]
    assert found(tmp_path, pins) == [] and len(pins) == target.most_outputs - 1
    (problem,) = found(tmp_path, [*pins, EACH["C"]])
    assert problem.remedy.endswith("to pins of the other ports, of which none is free: swap with inputs")


@pytest.mark.parametrize("name", targets.names())
def test_a_target_that_times_its_ports_times_all(name: str) -> None:
    target = targets.read(name)
    assert not target.port_cycles or len(target.port_cycles) > max(pin.port for pin in target.pin.values())
