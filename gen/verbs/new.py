"""The verb ``new``: a commented project to start from."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from dosewright.gen.problems import Exit, UserError

DESCRIPTION = (
    "Write a commented project into a new folder: machine.toml, recipes.toml, loaded.toml and\n"
    "calibration.toml.\n"
    "It asks for what no flag gives; with --yes, or without a terminal, it takes what is shown in brackets.\n"
    "Nothing is ever overwritten."
)
EXAMPLE = 'dosewright new my-cart --board atmega328p --channels 4 --vessel "300 ml" --relays low'
BOARD, CHANNELS, VESSEL, RELAYS = "atmega328p", "3", "300 ml", "high"

Answer = TypeVar("Answer")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", type=Path, help="the folder to make")
    parser.add_argument("--board", help=f"the controller [{BOARD}]")
    parser.add_argument("--channels", help=f"how many pumps [{CHANNELS}]")
    parser.add_argument("--vessel", help=f"the largest vessel under the outlet [{VESSEL}]")
    parser.add_argument(
        "--relays", choices=("high", "low"), help=f"the level of a pin that switches a pump on [{RELAYS}]"
    )
    parser.add_argument("--yes", action="store_true", help="ask nothing")


def run(arguments: argparse.Namespace) -> int:
    from dosewright.gen import scaffold, targets

    asking = not arguments.yes and sys.stdin.isatty()
    boards = "".join(f"  {name:<12} {targets.read(name).title}\n" for name in targets.names())
    which = f"Which controller?\n{boards}Its name"
    board = _answer(arguments.board, which, BOARD, scaffold.check_board, asking)
    most = scaffold.most_channels(board)
    channels = _answer(
        arguments.channels,
        f"How many pumps (1 to {most})?",
        CHANNELS,
        lambda text: scaffold.check_channels(_whole(text), board),
        asking,
    )
    vessel = _answer(arguments.vessel, "What is the largest vessel?", VESSEL, scaffold.check_vessel, asking)
    relays = _answer(
        arguments.relays, "Is a pump on when its pin is high, or low?", RELAYS, _high_or_low, asking
    )
    name = scaffold.machine_name(arguments.folder.resolve().name)
    written = scaffold.write(arguments.folder, scaffold.Answers(name, board, channels, vessel, relays))
    for file in written:
        print(f"wrote {arguments.folder / file}")
    print(f"Next: look through machine.toml, then: dosewright check {arguments.folder}")
    return Exit.DONE


def _answer(
    given: str | None, question: str, otherwise: str, read: Callable[[str], Answer], asking: bool
) -> Answer:
    """The flag's value, else the person's answer (asked again until it can be used), else the usual one."""
    if given is not None or not asking:
        return read(otherwise if given is None else given)
    while True:
        try:
            text = input(f"{question} [{otherwise}] ").strip()
        except EOFError:
            print()
            raise UserError(
                "no answer; give the flags, or --yes for the usual values", exit_code=Exit.USAGE
            ) from None
        try:
            return read(text or otherwise)
        except UserError as error:
            print(error)


def _whole(text: str) -> int:
    if not text.strip().isdecimal() or len(text) > 6:
        raise UserError(f"channels: found {text!r}; wanted a whole number", exit_code=Exit.USAGE)
    return int(text)


def _high_or_low(text: str) -> str:
    if text not in ("high", "low"):
        raise UserError(f"relays: found {text!r}; wanted high or low", exit_code=Exit.USAGE)
    return text
