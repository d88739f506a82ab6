"""One input file on its way through the checks, and how places and values are shown to a person."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any, Generic, TypeVar

from dosewright.gen.locate import Path as KeyPath
from dosewright.gen.locate import Places
from dosewright.gen.models.base import Table
from dosewright.gen.problems import Problem

Model = TypeVar("Model", bound=Table)


@dataclass
class Source(Generic[Model]):
    """One input file: its name, its model if there is one, what was written, the problems found so far."""

    name: str
    model: Model | None = None
    raw: dict[str, Any] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    places: Places = field(default_factory=lambda: Places(""))
    mended: set[KeyPath] = field(default_factory=set)  # where the model has a stand-in or a default instead

    def report(
        self,
        path: KeyPath,
        found: str,
        wanted: str,
        remedy: str,
        *,
        warning: bool = False,
        at_key: bool = False,
    ) -> None:
        """Note a problem at the value of a path, or at its key."""
        line, column = self.places.key(path) if at_key else self.places.value(path)
        self.problems.append(Problem(self.name, line, column, dotted(path), found, wanted, remedy, warning))

    def sound(self, *path: str | int) -> bool:
        """Whether the model says there what the file says; what was mended has been reported already."""
        return all(path[: len(mended)] != mended[: len(path)] for mended in self.mended)

    def names(self, *path: str) -> list[str]:
        """The keys of a table as written, under a misspelt heading too: what other tables may refer to."""
        table: Any = self.raw
        for key in path:
            table = table.get(nearest(key, table) or key) if isinstance(table, dict) else None
        return list(table) if isinstance(table, dict) else []


def dotted(path: Iterable[str | int]) -> str:
    """A path as one would write it: ``recipe."Dock Sour".stages[0].time``."""
    out = ""
    for key in path:
        if isinstance(key, int):
            out += f"[{key}]"
        else:
            out += ("." if out else "") + (key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else f'"{key}"')
    return out


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name that is most like this one, if any is like it enough to be a slip of the hand."""
    names = {item.lower(): item for item in reversed(list(known))}
    close = difflib.get_close_matches(name.lower(), names, 1, 0.8)
    return names[close[0]] if close else None


def near(name: str, known: Iterable[str], otherwise: str) -> str:
    """The remedy for an unknown name: the nearest known one, or all of them."""
    names = list(known)
    close = nearest(name, names)
    if close is not None:
        return f'did you mean "{close}"?'
    if not names:
        return otherwise
    listed = ", ".join(f'"{n}"' for n in names[:12]) + (", ..." if len(names) > 12 else "")
    return f"{otherwise}; there is {listed}"


def shown(value: object) -> str:
    """A value as it stands in a file, shortened."""
    if isinstance(value, dict):
        return "a table" if value else "an empty table"
    if isinstance(value, list):
        return "a list" if value else "an empty list"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (date, datetime, time)):
        return f"the date or time {value.isoformat()}"
    if isinstance(value, int) and value.bit_length() > 200:
        return "a number of very many digits"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    text = "".join(char if char.isprintable() else "\N{REPLACEMENT CHARACTER}" for char in text)
    return text if len(text) <= 60 else f"{text[:57]}..."


def counted(number: int, word: str) -> str:
    """``1 recipe``, ``2 recipes``, ``no recipes``."""
    return f"{number or 'no'} {word}{'' if number == 1 else 's'}"
