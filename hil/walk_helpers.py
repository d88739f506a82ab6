"""Who answers on a walk: a person at the terminal, a file of answers, or a machine that is only simulated."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from rich.console import Console

from dosewright.gen.problems import Exit, UserError
from dosewright.hil.rig import Bench
from dosewright.hil.walk import NOTHING, SKIP, Question
from dosewright.hil.wiring import Wire

# What is asked of somebody's hands. A file need not answer it: it is taken as done, and around a simulated
# controller it is done. Every other act asks what somebody saw or wants, which nothing but the file can tell.
HANDS = ("open", "close", "press", "release", "unplug", "plug")


class Asked:
    """A person at the terminal."""

    def __init__(self, console: Console) -> None:
        self._console = console

    def tell(self, text: str) -> None:
        self._console.print(text, soft_wrap=True, markup=False)

    def ask(self, question: Question) -> str:
        self._console.print(f"{question.text}: ", end="", soft_wrap=True, markup=False)
        try:
            return input()
        except EOFError:
            raise UserError(
                f"no answer to: {question.key}; answer on a terminal, or give --answers FILE",
                exit_code=Exit.USAGE,
            ) from None


class Written:
    """Answers from a file, one a line: ``moved A: B``. What only asks for a hand's turn may be left out.

    Around a simulated controller ``machine`` moves the switches, but for those that the file skips.
    """

    def __init__(self, path: Path, told: Console, machine: Simulated | None = None) -> None:
        self._path, self._told, self._machine = path, told, machine
        self._answers: dict[str, str] = {}
        try:
            lines = path.read_text(encoding="utf-8").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            raise UserError(
                f"{path}: found that it cannot be read as text ({error}); wanted a file of answers",
                exit_code=Exit.USAGE,
            ) from None
        for number, line in enumerate(lines, 1):
            key, colon, answer = line.partition(":")
            if line.strip() and not line.lstrip().startswith("#"):
                if not colon:
                    raise UserError(
                        f"{path}:{number}: found {line.strip()!r}; wanted QUESTION: ANSWER, as in moved A: A",
                        exit_code=Exit.USAGE,
                    )
                self._answers[" ".join(key.split())] = answer.strip()

    def tell(self, text: str) -> None:
        self._told.print(text, soft_wrap=True, markup=False)

    def ask(self, question: Question) -> str:
        answer = self._answers.get(question.key)
        by_hand = question.act in HANDS
        if answer is None:
            if not by_hand:
                raise UserError(
                    f"{self._path}: found no answer to {question.key!r}; wanted {question.key}: ANSWER",
                    exit_code=Exit.USAGE,
                )
            answer = "done"
        if self._machine and by_hand and answer.casefold() != SKIP:
            self._machine.ask(question)
        self.tell(f"{question.text}: {answer}")
        return answer


@dataclass(frozen=True, slots=True)
class Hookup:
    """The pin a thing hangs on, and the level at which it is on, closed or pressed."""

    pin: str
    active_high: bool


@dataclass
class Simulated:
    """The machine around a simulated controller: what moves when a pin does, and hands on its switches.

    Wired as the file says unless ``hookups`` (by label) says otherwise; ``shorted`` inputs keep their level.
    """

    bench: Bench
    wires: Iterable[Wire]
    hookups: Mapping[str, Hookup] = field(default_factory=dict)
    shorted: Mapping[str, bool] = field(default_factory=dict)
    mends: bool = False
    told: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.wires = tuple(self.wires)
        self._things = {
            wire.label: self.hookups.get(wire.label, Hookup(wire.pin.name, wire.pin.active_high))
            for wire in self.wires
        }
        self._levels: dict[str, bool] = {}
        self._before: set[str] = set()
        self._active = {wire.label: wire.table == "interlock" for wire in self.wires if not wire.is_output}
        self._unplugged: set[str] = set()
        self._set_inputs()

    def tell(self, text: str) -> None:
        self.told.append(text)

    def ask(self, question: Question) -> str:
        self.asked.append(question.key)
        if question.act == "mend":
            return "yes" if self.mends else "no"
        if question.act == "rest":
            self._watch()
            return ", ".join(sorted(self._before)) or NOTHING
        if question.act == "moved":
            return ", ".join(self._watch()) or NOTHING
        wire = question.wire
        if wire is not None:
            if question.act in ("open", "close", "press", "release"):
                self._active[wire.label] = question.act in ("close", "press")
            elif question.act == "unplug":
                self._unplugged.add(wire.label)
            else:
                self._unplugged.discard(wire.label)
            self._set_inputs()
        return "done"

    def _watch(self) -> list[str]:
        """What began to run since it was last looked, or stopped meanwhile."""
        pins = {wire.index: wire.pin.name for wire in self.wires if wire.is_output}
        moved: dict[str, str] = {}
        for edge in self.bench.take_edges():
            self._levels[pins[edge.output]] = edge.level
            running = self._running()
            for label in sorted(running ^ self._before):
                moved.setdefault(label, label if label in running else f"{label} stopped")
            self._before = running
        return list(moved.values())

    def _running(self) -> set[str]:
        return {
            wire.label
            for wire in self.wires
            if wire.is_output
            and self._levels.get(self._things[wire.label].pin) == self._things[wire.label].active_high
        }

    def _set_inputs(self) -> None:
        for wire in self.wires:
            if wire.is_output:
                continue
            level = wire.pull == "up"
            for label, active in self._active.items():
                thing = self._things[label]
                if thing.pin == wire.pin.name and label not in self._unplugged:
                    level = active == thing.active_high
            self.bench.set_input(wire.index, self.shorted.get(wire.pin.name, level))
