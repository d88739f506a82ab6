"""Problems in what the user wrote, and the one class of error a user may see."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class Exit(IntEnum):
    """Exit codes of every verb."""

    DONE = 0
    FINDINGS = 1
    USAGE = 2
    RIG = 3
    INTERRUPTED = 130


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One finding at one place. Sorted by position; ``line`` and ``column`` count from 1, 0: no place."""

    file: str
    line: int
    column: int
    field: str
    found: str
    wanted: str
    remedy: str
    warning: bool = False

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        kind = "warning: " if self.warning else ""
        field = f"{self.field}: " if self.field else ""
        return f"{place}: {kind}{field}found {self.found}; wanted {self.wanted}; {self.remedy}"


class UserError(Exception):
    """Something the user can mend: a message in plain words, or a list of problems, and an exit code."""

    def __init__(
        self, message: str = "", *, problems: tuple[Problem, ...] = (), exit_code: Exit = Exit.FINDINGS
    ) -> None:
        self.problems = tuple(sorted(problems))
        self.exit_code = exit_code
        super().__init__(message or "\n".join(str(p) for p in self.problems))
