"""Verdicts and progress on the terminal. Colours and bars only where a terminal is; elsewhere plain lines."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
from rich.table import Table
from rich.text import Text

from dosewright.hil.avrboard.accuracy import Timing
from dosewright.hil.record import Verdict

PLAIN_WIDTH = 110


class Reporter(Protocol):
    """Whoever wants to know how far a long job is. Replaceable: the harness only calls these."""

    def begin(self, total: int) -> None: ...
    def step(self, what: str) -> None: ...
    def end(self) -> None: ...


class Silent:
    """Says nothing."""

    def begin(self, total: int) -> None:
        pass

    def step(self, what: str) -> None:
        pass

    def end(self) -> None:
        pass


class Bar:
    """A bar on the terminal; nothing where there is none."""

    def __init__(self, console: Console) -> None:
        self._progress = Progress(
            TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), console=console,
            transient=True, disable=not console.is_terminal,
        )  # fmt: skip

    def begin(self, total: int) -> None:
        self._progress.start()
        self._task = self._progress.add_task("", total=total)

    def step(self, what: str) -> None:
        self._progress.update(self._task, description=Text(what).markup, advance=1)

    def end(self) -> None:
        self._progress.stop()


def terminal(stderr: bool = False) -> Console:
    """A console of the terminal's width, or of a fixed one where the output goes into a file."""
    console = Console(stderr=stderr, highlight=False)
    return console if console.is_terminal else Console(stderr=stderr, highlight=False, width=PLAIN_WIDTH)


def verdict_table(verdicts: Sequence[Verdict], console: Console) -> None:
    """One row a pour, then every finding, then the sum."""
    faults, by_switches = any(v.case for v in verdicts), any(v.by for v in verdicts)
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("recipe")
    table.add_column("serving")
    if by_switches:
        table.add_column("asked for by")
    if faults:
        table.add_column("disturbed by")
    for column in ("ml", "seconds", "edges"):
        table.add_column(column, justify="right")
    table.add_column("verdict")
    for verdict in verdicts:
        said = Text("equal", "green") if verdict.passed else Text("DIFFERS", "bold red")
        row = [Text(verdict.recipe), Text(verdict.serving)]
        row += [Text(verdict.by)] if by_switches else []
        row += [Text(verdict.case)] if faults else []
        row += [Text(f"{verdict.asked_ml:g}"), Text(f"{verdict.seconds:.3f}"), Text(str(verdict.edges)), said]
        table.add_row(*row)
    console.print(table)
    for verdict in verdicts:
        for finding in verdict.findings:
            pour = ", ".join(filter(None, (verdict.recipe, verdict.serving, verdict.by, verdict.case)))
            console.print(Text(f"{pour}: {finding}"), soft_wrap=True)
    console.print(Text(summary(verdicts)), soft_wrap=True)
    when = pin_timing(verdicts)
    if when:
        console.print(Text(timing_words(when)), soft_wrap=True)


def timing_words(when: Timing) -> str:
    """The pins to the cycle, with a histogram."""
    spread = ", ".join(f"{edges} came {late} late" for late, edges in when.histogram().items())
    return (
        f"pins, in the controller's cycles after the earliest: worst {when.worst}, mean {when.mean:.1f}; "
        f"those of one tick within {when.skew}\n({spread})"
    )


def pin_timing(verdicts: Sequence[Verdict]) -> Timing | None:
    """That of all pours together; None where no rig counted cycles."""
    all_of_them = [verdict.timing for verdict in verdicts if verdict.timing]
    return sum(all_of_them[1:], all_of_them[0]) if all_of_them else None


def summary(verdicts: Sequence[Verdict]) -> str:
    """How many passed, and who watched."""
    failed = sum(not verdict.passed for verdict in verdicts)
    edges = sum(verdict.edges for verdict in verdicts)
    watched = verdicts and all(verdict.witness for verdict in verdicts)
    if failed:
        return f"{failed} of {_pours(len(verdicts))} differ"
    if any(verdict.case for verdict in verdicts):
        count = f"{_pours(len(verdicts))} disturbed, {edges} edges"
        return f"{count}: as the rules say, and nothing on that may not be"
    who = "report and pins" if watched else "report (nobody watched the pins)"
    return f"{_pours(len(verdicts))}, {edges} edges: the controller's {who} equal the plan to the tick"


def _pours(count: int) -> str:
    return "1 pour" if count == 1 else f"{count} pours"


def as_json(verdicts: Sequence[Verdict], left_out: Sequence[tuple[str, str]]) -> dict[str, object]:
    """The verdicts as plain values."""
    when = pin_timing(verdicts)
    cycles = (
        {"worst": when.worst, "mean": when.mean, "skew": when.skew, "edges": when.histogram()}
        if when
        else None
    )
    return {
        "passed": all(verdict.passed for verdict in verdicts),
        "pours": [
            {
                "recipe": v.recipe,
                "serving": v.serving,
                "asked_for_by": v.by or None,
                "disturbed_by": v.case or None,
                "asked_ml": v.asked_ml,
                "seconds": v.seconds,
                "edges": v.edges,
                "pins_watched": v.witness,
                "passed": v.passed,
                "findings": list(v.findings),
            }
            for v in verdicts
        ],
        "pin_cycles": cycles,
        "left_out": [{"recipe": name, "reason": reason} for name, reason in left_out],
    }


class Bystander:
    """The person at a real machine, asked on the terminal; the controller's inputs tell when it is done."""

    def __init__(self, console: Console) -> None:
        self._console = console

    def please(self, what: str) -> None:
        self._console.print(f"Please {what}.", soft_wrap=True, markup=False)


class Uploading:
    """Progress of an upload, on a terminal only."""

    def __init__(self, console: Console) -> None:
        self._console = console

    def __call__(self, what: str, sent: int, whole: int) -> None:
        if self._console.is_terminal:
            self._console.print(
                f"{what}: {sent} of {whole} bytes", end="\r" if sent < whole else "\n", markup=False
            )


class Passed:
    """What another program says: as it comes on a terminal, in whole lines elsewhere, without empty ones."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._line = ""

    def __call__(self, piece: str) -> None:
        if self._console.is_terminal:
            self._console.file.write(piece)
            self._console.file.flush()
            return
        *whole, self._line = (self._line + piece).split("\n")
        for line in whole:
            if line.strip():
                self._console.print(line.rstrip(), soft_wrap=True, markup=False)
