"""Copies of the example with changes, and a project of the least size, for tests of the input side."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

EXAMPLE = Path(__file__).parents[1] / "examples" / "soda-cart"
FILES = ("machine.toml", "recipes.toml", "loaded.toml", "calibration.toml")

LEAST = {
    "machine.toml": """\
[machine]
name = "Quayside soda cart"
target = "atmega328p"
vessel = "400 ml"                 # nothing larger is ever poured

[channel]
A = { pin = "D4", actuator = "peristaltic pump" }
B = { pin = "D5", actuator = "peristaltic pump" }
C = { pin = "D6", actuator = "peristaltic pump" }

[interlock]
glass = { pin = "A0" }            # a switch to ground
""",
    "recipes.toml": """\
[serving]
regular = "150 ml"

[recipe."Harbour Fizz"]
parts = { "ginger syrup" = 2, "lime juice" = 1, soda = 7 }
""",
    "loaded.toml": """\
A = { liquid = "ginger syrup" }
B = { liquid = "lime juice" }
C = { liquid = "soda" }
""",
    "calibration.toml": """\
[channel]
A = { rate = "98 ml/min" }
B = { rate = "98 ml/min" }
C = { rate = "98 ml/min" }
""",
}


def example() -> dict[str, str]:
    """The example's files."""
    return {name: (EXAMPLE / name).read_text(encoding="utf-8") for name in FILES}


def changed(files: Mapping[str, str], *changes: tuple[str, str, str]) -> dict[str, str]:
    """The files with (file, old, new) replaced, each of which must be there exactly once."""
    out = dict(files)
    for name, old, new in changes:
        assert out[name].count(old) == 1, (name, old, out[name].count(old))
        out[name] = out[name].replace(old, new)
    return out


def put(folder: Path, files: Mapping[str, str]) -> Path:
    """Write the files into a folder; returns it."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    return folder


def position(text: str, marker: str) -> tuple[int, int]:
    """Line and column, from 1 and in characters, at which a text that occurs once begins."""
    assert text.count(marker) == 1, (marker, text.count(marker))
    before = text[: text.index(marker)]
    return before.count("\n") + 1, len(before) - before.rfind("\n")
