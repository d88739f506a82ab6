"""From a file on disk to a checked model, or to problems with their places.

A file with mistakes is mended in memory (stand-ins for what is needed, defaults for the rest) so that the search
for further mistakes can go on; nothing is ever compiled from a mended file.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import date, datetime, time
from decimal import Decimal
from pathlib import Path
from typing import Any, Generic, TypeVar, get_args

from dosewright.gen.locate import Path as KeyPath
from dosewright.gen.locate import Places
from dosewright.gen.models.base import STAND_IN, Table, extra_of
from dosewright.gen.problems import Problem
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

MOST_BYTES = 4 * 1024 * 1024  # 10 000 recipes of ten parts are below 4 MiB
DEEPEST = 16
_ROUNDS = 8

Model = TypeVar("Model", bound=Table)


@dataclass
class Source(Generic[Model]):
    """One input file: its name, its model if there is one, what was written, and the problems found so far."""

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
        return all(path[: len(mended)] != mended for mended in self.mended)

    def names(self, *path: str) -> list[str]:
        """The keys of a table as written, mistakes included: what other files may refer to."""
        table: Any = self.raw
        for key in path:
            table = table.get(key) if isinstance(table, dict) else None
        return list(table) if isinstance(table, dict) else []


def read(folder: Path, name: str, model: type[Model], *, optional: bool = False) -> Source[Model]:
    """Read and check one file. An optional file that is not there gives the model's defaults."""
    source: Source[Model] = Source(name)
    if optional and not (folder / name).exists():
        source.model = model.model_validate({})
        return source
    text = _text(folder / name, source)
    if text is not None and _parse(text, source):
        _validate(source, model)
    return source


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
    close = difflib.get_close_matches(name.lower(), names, 1, 0.75)
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


def _text(path: Path, source: Source[Model]) -> str | None:
    wanted, remedy = "a text file", "see dosewright new for a project to start from"

    def refuse(found: str, wanted: str, remedy: str, line: int = 0, column: int = 0) -> None:
        source.problems.append(Problem(source.name, line, column, "", found, wanted, remedy))

    try:
        if path.is_dir():
            return refuse("a folder", wanted, "move the folder away and put the file there")
        if not path.exists():
            return refuse("no such file", wanted, remedy)
        if not path.is_file():
            return refuse("something that is no file", wanted, remedy)
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except OSError as error:
        return refuse(
            f"a file that cannot be read ({error.strerror or error})", wanted, "check its permissions"
        )
    except ValueError:
        return refuse("a path that cannot exist", wanted, remedy)
    if len(data) > MOST_BYTES:
        return refuse(
            f"more than {MOST_BYTES // 1024 // 1024} MiB",
            f"at most {MOST_BYTES // 1024 // 1024} MiB",
            "check that this is the right file",
        )
    data = data.removeprefix(b"\xef\xbb\xbf")
    if b"\0" in data:
        before = data[: data.index(b"\0")]
        line, column = _end(before)
        return refuse("a NUL byte", "text in UTF-8", "save the file as UTF-8 text", line, column)
    try:
        return data.decode()
    except UnicodeDecodeError as error:
        line, column = _end(data[: error.start])
        return refuse(
            f"the byte 0x{data[error.start]:02x}, which is not UTF-8",
            "text in UTF-8",
            "save the file with the encoding UTF-8",
            line,
            column,
        )


def _end(before: bytes) -> tuple[int, int]:
    lines = before.decode(errors="replace").split("\n")
    return len(lines), len(lines[-1]) + 1


def _parse(text: str, source: Source[Model]) -> bool:
    source.places = Places(text)
    found, line, column = "", 1, 1
    try:
        source.raw = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        match = re.search(r" \(at line (\d+), column (\d+)\)$", message)
        if match:
            line, column = int(match[1]), int(match[2])
        elif message.endswith(" (at end of document)"):
            lines = text.split("\n")
            line, column = len(lines), len(lines[-1]) + 1
        found = "this: " + re.sub(r" \(at [^()]*\)$", "", message)
    except RecursionError:
        found = "tables or lists nested too deep"
    except (ValueError, ArithmeticError):  # more digits than an integer or a decimal may have
        found = "a number of very many digits"
    else:
        if _depth(source.raw) <= DEEPEST:
            return True
        source.raw = {}
        found = "tables or lists nested too deep"
    source.problems.append(
        Problem(source.name, line, column, "", found, "a file in TOML", "mend the text at this place")
    )
    return False


def _depth(raw: object) -> int:
    depth, level = 0, [raw]
    while level:
        depth += 1
        if depth > DEEPEST:
            break
        inner: list[object] = []
        for item in level:
            inner += item.values() if isinstance(item, dict) else item if isinstance(item, list) else ()
        level = inner
    return depth


def _validate(source: Source[Model], model: type[Model]) -> None:
    data = deepcopy(source.raw)
    head = data.get("machine")
    for table in (data, head if isinstance(head, dict) else {}):
        if table.get("fluid_ounce") in ("us", "imperial"):
            context = {"fluid_ounce": table["fluid_ounce"]}
            break
    else:
        context = {}
    for round_ in range(_ROUNDS):
        try:
            source.model = model.model_validate(data, context=context)
            return
        except ValidationError as error:
            errors = error.errors(include_url=False)
            if round_ == 0:
                seen: set[KeyPath] = set()
                for item in errors:
                    _explain(source, model, item, seen)
            source.mended |= _mend(data, model, errors)


def _explain(source: Source[Model], model: type[BaseModel], error: ErrorDetails, seen: set[KeyPath]) -> None:
    """One error of the model as a problem: what was found, what is wanted, what to do."""
    kind, loc, context = error["type"], error["loc"], error.get("ctx", {})
    if loc and loc[-1] == "[key]":
        path: KeyPath = loc[:-1]
    else:
        path = loc if kind == "missing" else _present(source.raw, loc)
    if path in seen:
        return
    seen.add(path)
    info, siblings = _field(model, path)
    at_key = kind == "extra_forbidden" or loc[-1:] == ("[key]",)
    found = shown(error["input"])
    remedy = "see dosewright schema for what may stand here"
    if kind == "missing":
        found, wanted = "nothing", _first_sentence(info)
        example = info.examples[0] if info and info.examples else "..."
        shown_example = f'"{example}"' if isinstance(example, str) else "..."
        remedy = f"add {path[-1]} = {shown_example}"
        if not isinstance(example, str) or info is None:
            remedy = f"add a table [{dotted(path)}]"
    elif kind == "extra_forbidden":
        found = f"the unknown key {path[-1]}"
        wanted = f"one of {', '.join(siblings)}"
        close = nearest(str(path[-1]), siblings)
        remedy = f"did you mean {close}?" if close else "take it out"
    elif kind == "mistake":
        wanted, remedy = context["wanted"], context["remedy"]
        if at_key:
            found = f"the name {shown(path[-1])}"
    elif kind == "literal_error":
        wanted = str(context["expected"]).replace("'", '"')
        choices = re.findall(r'"([^"]*)"', wanted)
        close = nearest(str(error["input"]), choices)
        remedy = f'did you mean "{close}"?' if close else "choose one"
    elif kind in ("too_short", "too_long"):
        wanted = (
            f"at least {context['min_length']}"
            if kind == "too_short"
            else f"at most {context['max_length']} entries"
        )
        found = "none" if kind == "too_short" else f"{context['actual_length']} entries"
        if context["actual_length"] is None:
            found = "too many entries"
        remedy = f"add one: [{dotted(path)}.NAME]" if kind == "too_short" else "take some out"
    elif kind in ("greater_than_equal", "less_than_equal"):
        bound = context.get("ge", context.get("le"))
        wanted = f"a whole number of at {'least' if 'ge' in context else 'most'} {bound}"
        remedy = "choose another number"
    else:
        wanted = next((text for start, text in _WANTED.items() if kind.startswith(start)), error["msg"])
        remedy = "write it so" if wanted != error["msg"] else remedy
    source.report(path, found, wanted, remedy, at_key=at_key)


_WANTED = {
    "string": "text in quotes",
    "int": "a whole number",
    "bool": "true or false",
    "dict": "a table",
    "model": "a table",
    "list": "a list in square brackets",
    "date": "a date such as 2026-05-02, without quotes",
}


def _first_sentence(info: FieldInfo | None) -> str:
    text = info.description if info and info.description else "this field"
    sentence = text.split(". ")[0].rstrip(".")
    return sentence[:1].lower() + sentence[1:]


def _present(raw: object, loc: KeyPath) -> KeyPath:
    """The longest part of a path that is in the data: a union adds steps of its own."""
    for depth, key in enumerate(loc):
        try:
            raw = raw[key]  # type: ignore[index]
        except (KeyError, IndexError, TypeError):
            return loc[:depth]
    return loc


def _field(model: type[BaseModel], path: KeyPath) -> tuple[FieldInfo | None, list[str]]:
    """The field a path leads to, and the names of the fields beside it."""
    info: FieldInfo | None = None
    table: type[BaseModel] | None = model
    siblings: list[str] = []
    for key in path:
        if table is None:  # a name in a table of tables, or an index in a list
            table = _model_in(info.annotation) if info else None
            info = None
            continue
        siblings = list(table.model_fields)
        info = table.model_fields.get(str(key))
        if info is None:  # a table of names at the top of a file
            extra = table.__annotations__.get("__pydantic_extra__")
            table = _model_in(_resolve(table, extra)) if extra else None
        else:
            direct = info.annotation
            table = direct if isinstance(direct, type) and issubclass(direct, BaseModel) else None
    return info, siblings


def _resolve(table: type[BaseModel], annotation: object) -> object:
    import sys

    return (
        eval(str(annotation), vars(sys.modules[table.__module__]))
        if isinstance(annotation, str)
        else annotation
    )


def _model_in(annotation: object) -> type[BaseModel] | None:
    """The model among the arguments of a dict or list type, however deep."""
    for argument in get_args(annotation):
        if isinstance(argument, type) and issubclass(argument, BaseModel):
            return argument
        inner = _model_in(argument)
        if inner:
            return inner
    return None


def _mend(data: dict[str, Any], model: type[BaseModel], errors: list[ErrorDetails]) -> set[KeyPath]:
    """Replace what is wrong by its stand-in, or take it out, so that the rest can be looked at; returns where."""
    drop: set[KeyPath] = set()
    mended: set[KeyPath] = set()
    for error in errors:
        loc, kind = error["loc"], error["type"]
        path = loc[:-1] if loc[-1:] == ("[key]",) else loc if kind == "missing" else _present(data, loc)
        mended.add(path)
        stand_in = None
        info, _ = _field(model, path)
        if info is not None and kind != "extra_forbidden":
            stand_in = extra_of(info, STAND_IN)
        if stand_in is not None:
            parent = _at(data, path[:-1])
            if isinstance(parent, dict):
                parent[str(path[-1])] = deepcopy(stand_in)
        else:
            drop.add(path[:-1] if kind == "missing" else path)
    # the later entries of a list first, so that the earlier keep their index
    for path in sorted(drop, key=_order, reverse=True):
        parent = _at(data, path[:-1]) if path else None
        if isinstance(parent, dict):
            parent.pop(str(path[-1]), None)
        elif isinstance(parent, list) and isinstance(path[-1], int) and path[-1] < len(parent):
            del parent[path[-1]]
    return mended


def _order(path: KeyPath) -> tuple[tuple[int, str], ...]:
    return tuple((key, "") if isinstance(key, int) else (-1, key) for key in path)


def _at(data: object, path: KeyPath) -> object:
    for key in path:
        try:
            data = data[key]  # type: ignore[index]
        except (KeyError, IndexError, TypeError):
            return None
    return data
