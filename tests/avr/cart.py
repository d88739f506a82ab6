"""An example on a simulated board, its firmware built from sources that a test may spoil."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from dosewright.gen import firmware, targets
from dosewright.gen.codes import State
from dosewright.gen.load import Project, load
from dosewright.gen.lower import Compiled, lower
from dosewright.hil.avrboard import AvrBoard
from dosewright.hil.avrboard.project import board_command
from dosewright.hil.client import Client
from dosewright.hil.messages import Entry
from dosewright.hil.protocols.simulated_port import SimulatedPort

EXAMPLES = Path(__file__).parents[2] / "examples"
SMALL, LARGE = EXAMPLES / "soda-cart", EXAMPLES / "night-ferry"  # an ATmega328P, an ATmega2560

Change = tuple[str, str, str]  # file below targets, text, what to put in its place


class BoardPort(SimulatedPort):  # type: ignore[misc,unused-ignore]
    """A port to a board that tells everything."""

    bench: AvrBoard

    def __init__(self, command: Sequence[str]) -> None:
        super().__init__(None)
        self.bench = AvrBoard(command)
        self.is_open = True

    def _reconfigure_port(self, *_: Any, **__: Any) -> None:
        pass


class Cart:
    """A board with every interlock closed, and a client on its link."""

    def __init__(self, command: Sequence[str], compiled: Compiled, *before: str) -> None:
        """``before``: commands to the board before it runs its first instruction."""
        self.compiled = compiled
        self.port = BoardPort(command)
        self.board = self.port.bench
        self.client = Client(self.port, "the simulated board", self.port.now)
        for line in before:
            self.board.command(line)
        self.board.command("run 10")
        self.close_interlocks()

    def close_interlocks(self) -> None:
        for index, interlock in enumerate(self.compiled.machine.interlocks):
            self.board.command(f"in {index} {int(interlock.pin.active_high)}")
        self.board.command("run 100")

    def pour(self, recipe: int, serving: int, traffic: str = "", storm: str = "0 0") -> list[Entry]:
        """One pour to its end, its vessel changed first; returns the trace.

        ``traffic`` and ``storm``, what the commands of that name take, go on meanwhile.
        """
        vessel = self.compiled.machine.vessel_interlock
        if vessel is not None:
            pin = self.compiled.machine.interlocks[vessel].pin
            for level in (not pin.active_high, pin.active_high):
                self.board.command(f"in {vessel} {int(level)}")
                self.board.command("run 100")
        self.client.trace()
        answer = self.client.pour(recipe, serving)
        assert answer.reason == 0, answer
        self.board.command(f"storm {storm}")
        self.board.command(f"traffic {traffic}" if traffic else "run 1")
        entries: list[Entry] = []
        for _ in range(200):
            self.board.command("run 1000")
            self.board.command("traffic 0")
            self.board.command("run 40")
            self.board.command("rx 00")
            lost, more = self.client.trace()
            assert lost == 0
            entries += more
            if self.client.status().state == State.IDLE:
                self.board.command("storm 0 0")
                return entries
            if traffic:
                self.board.command(f"traffic {traffic}")
        raise AssertionError("the pour does not end")


def build(
    folder: Path, monkeypatch: pytest.MonkeyPatch, changes: Sequence[Change] = (), example: Path = SMALL
) -> tuple[list[str], Project, Compiled]:
    """The command that starts an example, its firmware built with some sources changed.

    The firmware lands in the folder ``made``.
    """
    project = load(example)
    root = firmware.folder_of_targets()
    if changes:
        root = folder / "targets"
        shutil.copytree(firmware.folder_of_targets(), root)
        for file, text, instead in changes:
            source = (root / file).read_text()
            assert source.count(text) == 1, f"{file} has not one {text!r}"
            (root / file).write_text(source.replace(text, instead))
    monkeypatch.setattr(firmware, "folder_of_targets", lambda: root)
    compiled = lower(project)
    return board_command(compiled, targets.read(project.target.name), folder / "made"), project, compiled
