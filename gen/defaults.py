"""What a project leaves to the defaults: field, value, and the reason for it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, get_args

from pydantic.fields import FieldInfo

from dosewright.gen import units
from dosewright.gen.models.base import WHY, Quantity, RateSpan, Table, extra_of
from dosewright.gen.project import Project


@dataclass(frozen=True, slots=True)
class Default:
    """One field that was not given, for all tables in which it has the same value."""

    table: str  # "channel", "interlock", ...
    names: tuple[str, ...]  # which of them; empty for a table of which there is one
    everywhere: bool  # these are all there are
    field: str
    value: str
    why: str

    def __str__(self) -> str:
        of = f" {', '.join(self.names)}" if self.names else ""
        where = f"every {self.table}" if self.everywhere and len(self.names) > 1 else f"{self.table}{of}"
        return f"{where}: {self.field} = {self.value}\n    {self.why}"


def defaults(project: Project) -> list[Default]:
    """Every default in force, in the order of the files, like ones together."""
    together: dict[tuple[str, str, str, str], list[str]] = {}
    counts: Counter[str] = Counter()
    for table, name, model in _tables(project):
        counts[table] += 1
        for field, info in type(model).model_fields.items():
            why = extra_of(info, WHY)
            if why is None or model.given(field) or (table == "stage" and _of_no_use(model, field)):
                continue
            key = (table, field, _shown(getattr(model, field), info), why)
            together.setdefault(key, []).extend([name] if name else [])
    return [
        Default(table, tuple(names), len(names) == counts[table], field, value, why)
        for (table, field, value, why), names in together.items()
    ]


def _tables(project: Project) -> Iterator[tuple[str, str, Table]]:
    machine = project.machine
    yield "machine", "", machine.machine
    for kind in ("channel", "group", "interlock", "button", "selector", "stage"):
        for name, table in getattr(machine, kind).items():
            yield kind, name, table
    for name, recipe in project.recipes.recipe.items():
        yield "recipe", name, recipe
    for name, stock in project.loaded.channels.items():
        yield "loaded", name, stock
    for name, measured in project.calibration.channel.items():
        yield "calibration", name, measured


def _of_no_use(stage: Table, field: str) -> bool:
    """A wait without a pin has no polarity, no pull, no current."""
    return not stage.given("pin") and field in ("on_when", "pull", "current")


def _shown(value: Any, info: FieldInfo) -> str:
    if isinstance(value, RateSpan):
        return f'"{units.ml_per_min(value.slowest)} .. {units.ml_per_min(value.fastest)}"'
    if isinstance(value, Fraction):
        return f'"{units.shown(value, _kind(info))}"'
    if isinstance(value, bool):
        return str(value).lower()
    if value is None or value in ([], ""):
        return "none"
    return f'"{value}"'


def _kind(info: FieldInfo) -> units.Kind:
    """The kind of quantity of a field: noted beside its type, or inside it where None is allowed too."""
    notes = [*info.metadata, *(note for inner in get_args(info.annotation) for note in get_args(inner))]
    return next(note.kind for note in notes if isinstance(note, Quantity))
