"""A project to start from: a few answers become four commented files that check clean."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from math import ceil
from pathlib import Path

from dosewright.gen import targets, units
from dosewright.gen.models.base import LONGEST_NAME
from dosewright.gen.output import replace_all
from dosewright.gen.problems import Exit, UserError
from dosewright.gen.render import render

FILES = ("machine.toml", "recipes.toml", "loaded.toml", "calibration.toml")
LIQUIDS = (
    "soda",
    "lime juice",
    "cane syrup",
    "ginger syrup",
    "water",
    "mint syrup",
    "berry syrup",
    "lemon juice",
)
INPUTS = 2  # a switch for the vessel, a stop button
SERVINGS = 3
RATE = 98  # ml/min of a small peristaltic pump: common practice, no source
SMALLEST_VESSEL, LARGEST_VESSEL = 20, 15_000  # ml


@dataclass(frozen=True, slots=True)
class Answers:
    """What ``new`` asks: target, number of channels, vessel as written, level at which relays are on."""

    name: str
    board: str
    channels: int
    vessel: str
    relays: str

    def __post_init__(self) -> None:
        check_board(self.board)
        check_channels(self.channels, self.board)
        check_vessel(self.vessel)


def check_board(board: str) -> str:
    """The board, if it is a target with pins. Raises UserError."""
    known = targets.names()
    if board not in known:
        meant = targets.by_board(board)
        remedy = f"; did you mean {meant}?" if meant else ""
        raise UserError(
            f"board: found {board!r}; wanted one of {', '.join(known)}{remedy}", exit_code=Exit.USAGE
        )
    return board


def most_channels(board: str) -> int:
    """As many as there are pins for, with two kept for the vessel's switch and the stop button."""
    target = targets.read(board)
    return min(len(_fit(target)) - INPUTS, target.most_outputs)


def check_channels(channels: int, board: str) -> int:
    """The number of channels, if the board has the pins. Raises UserError."""
    most = most_channels(board)
    if not 1 <= channels <= most:
        raise UserError(f"channels: found {channels}; wanted 1 to {most} on {board}", exit_code=Exit.USAGE)
    return channels


def check_vessel(vessel: str) -> str:
    """The vessel's volume, as written. Raises UserError."""
    try:
        ml = units.parse(vessel, units.VOLUME)
    except units.UnreadableError as error:
        raise UserError(f"vessel: found {vessel!r}; {error}", exit_code=Exit.USAGE) from None
    if not SMALLEST_VESSEL <= ml <= LARGEST_VESSEL:
        wanted = f"{SMALLEST_VESSEL} ml to {LARGEST_VESSEL // 1000} l"
        raise UserError(f"vessel: found {vessel!r}; wanted {wanted}", exit_code=Exit.USAGE)
    return vessel


def files(answers: Answers) -> dict[str, bytes]:
    """The files of a new project, by name."""
    free = _fit(targets.read(answers.board))
    inputs, outputs = free[-INPUTS:], _close_together(answers.board, free[:-INPUTS], answers.channels)
    letters = [_letter(index) for index in range(answers.channels)]
    liquids = [*LIQUIDS, *(f"liquid {letter}" for letter in letters[len(LIQUIDS) :])]
    vessel = units.parse(answers.vessel, units.VOLUME)
    recipes = min(answers.channels, 2)
    start, menu, size = _switches([name for name in free[:-INPUTS] if name not in outputs], recipes)
    values = {
        "name": units.quoted(answers.name),
        "board": answers.board,
        "title": targets.read(answers.board).title,
        "vessel": units.quoted(answers.vessel.strip()),
        "relays": answers.relays,
        "off": "down" if answers.relays == "high" else "up",
        "channels": list(zip(letters, outputs, liquids, strict=False)),
        "glass": inputs[0],
        "stop": inputs[1],
        "rate": RATE,
        "minutes": ceil(vessel / RATE),
        "start": start,
        "menu": menu,
        "size": size,
        "recipes": recipes,
        "servings": SERVINGS,
        "small": units.ml(vessel / 4),
        "regular": units.ml(vessel / 2),
        "large": units.ml(vessel * 3 / 4),
    }
    return {name: render(f"project/{name}.j2", **values).encode() for name in FILES}


def write(folder: Path, answers: Answers) -> list[str]:
    """Write a new project, all files or none; returns their names. Never overwrites: UserError."""
    made = files(answers)
    if folder.exists() and not folder.is_dir():
        raise UserError(f"{folder}: found a file; wanted the name of a new folder; choose another")
    there = [name for name in FILES if (folder / name).exists()]
    if there:
        raise UserError(
            f"{folder}: found {', '.join(there)} there already; wanted a new folder; choose another"
        )
    replace_all(folder, made)
    return list(made)


def _fit(target: targets.Target) -> list[str]:
    """Pins fit for inputs and outputs alike."""
    return target.free(as_output=True, as_input=True)


def _close_together(board: str, free: list[str], count: int) -> list[str]:
    """So many pins, the first there are; where those lie on too many ports of the chip, on few of them."""
    target = targets.read(board)
    port = {name: target.pin[name].port for name in free}
    first = free[:count]
    if target.skew({port[name] for name in first}) > targets.MOST_SKEW:
        crowd = Counter(port.values())
        first = sorted(free, key=lambda name: (-crowd[port[name]], port[name]))[:count]
    return [name for name in free if name in first]


def _switches(spare: list[str], recipes: int) -> tuple[str, list[str], list[str]]:
    """Pins of a start button, a selector of recipes and one of servings; empty where there are too few."""
    menu, size = recipes.bit_length(), (SERVINGS - 1).bit_length()
    if len(spare) < 1 + menu + size:
        return "", [], []
    start, *contacts = spare[-(1 + menu + size) :]  # the last ones, so that those after the pumps stay free
    return start, contacts[:menu], contacts[menu:]


def _letter(index: int) -> str:
    """A to Z, then AA, AB, ..."""
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return alphabet[index] if index < 26 else alphabet[index // 26 - 1] + alphabet[index % 26]


def machine_name(folder: str) -> str:
    """A machine's name from that of its folder."""
    kept = "".join(char for char in folder if char.isprintable())[:LONGEST_NAME].strip()
    return kept or "my machine"
