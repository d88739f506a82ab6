"""What a model objects to, as problems; and stand-ins for it, so that the search can go on."""

from __future__ import annotations

import re
import sys
from copy import deepcopy
from typing import Any, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from dosewright.gen.locate import Path as KeyPath
from dosewright.gen.models.base import STAND_IN, extra_of
from dosewright.gen.source import Model, Source, dotted, nearest, shown


def explain(source: Source[Model], model: type[BaseModel], error: ErrorDetails, seen: set[KeyPath]) -> None:
    """One error of the model as a problem: what was found, what is wanted, what to do."""
    kind, loc, context = error["type"], error["loc"], error.get("ctx", {})
    if loc and loc[-1] == "[key]":
        path: KeyPath = loc[:-1]
    else:
        path = loc if kind == "missing" else _present(source.raw, loc)
    if path in seen:
        return
    seen.add(path)
    info, siblings, table = _field(model, path)
    at_key = kind == "extra_forbidden" or loc[-1:] == ("[key]",)
    found = shown(error["input"])
    remedy = "see dosewright schema for what may stand here"
    if kind == "missing":
        found, wanted = "nothing", _first_sentence(info)
        example = info.examples[0] if info and info.examples else None
        if isinstance(example, str):
            remedy = f'add {path[-1]} = "{example}"'
            # what lacks a field of this table may be whole in another, whose heading was forgotten
            others = _others(model, path, _at(source.raw, path[:-1]), whole=True)
            remedy += f", or {_put_above(others)}" if others else ""
        else:
            named = info is not None and get_origin(info.annotation) is dict and _model_in(info.annotation)
            remedy = f"add a table [{dotted(path)}{'.NAME' if named else ''}]"
    elif kind == "extra_forbidden":
        found = f"the unknown key {path[-1]}"
        wanted = f"one of {', '.join(siblings)}"
        close = nearest(str(path[-1]), siblings)
        homes = [dotted((name,)) for name, field in model.model_fields.items() if path[-1] in _inside(field)]
        others = _others(model, path, error["input"]) or _others(model, path, _at(source.raw, path[:-1]))
        elsewhere = "take it out"
        if homes:
            elsewhere = f"move it up to [{homes[0]}]: it belongs there"
        elif others:
            elsewhere = _put_above(others)
        remedy = f"did you mean {close}?" if close else elsewhere
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
        one_more = "add one" if isinstance(error["input"], list) else f"add one: [{dotted(path)}.NAME]"
        remedy = one_more if kind == "too_short" else "take some out"
    elif kind in ("greater_than_equal", "less_than_equal"):
        bound = context.get("ge", context.get("le"))
        wanted = f"a whole number of at {'least' if 'ge' in context else 'most'} {bound}"
        remedy = "choose another number"
    else:
        wanted = next((text for start, text in _WANTED.items() if kind.startswith(start)), error["msg"])
        remedy = "write it so" if wanted != error["msg"] else remedy
        if wanted == "a table" and table is not None and isinstance(error["input"], str):
            first = next((name for name, field in table.model_fields.items() if field.is_required()), None)
            if first is not None:
                remedy = f"write {dotted(path[-1:])} = {{ {first} = {found} }}"
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


def _field(
    model: type[BaseModel], path: KeyPath
) -> tuple[FieldInfo | None, list[str], type[BaseModel] | None]:
    """The field a path leads to, the names of the fields beside it, and the model of the table that it is."""
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
    return info, siblings, table


def _resolve(table: type[BaseModel], annotation: object) -> object:
    return (
        eval(str(annotation), vars(sys.modules[table.__module__]))
        if isinstance(annotation, str)
        else annotation
    )


def _inside(field: FieldInfo) -> list[str]:
    """The names that may stand in a field that is a table."""
    table = field.annotation
    return list(table.model_fields) if isinstance(table, type) and issubclass(table, BaseModel) else []


def _others(model: type[BaseModel], path: KeyPath, value: object, *, whole: bool = False) -> list[str]:
    """The other headings under which a table could stand as an entry with a name of the user's.

    Those under which it lacks nothing; where there are none, unless it must be ``whole``, the rest.
    """
    fit: list[str] = []
    complete: list[str] = []
    for name, field in model.model_fields.items():
        table = _model_in(field.annotation)
        if table is None or get_origin(field.annotation) is not dict or name == path[0]:
            continue
        if isinstance(value, dict) and value and value.keys() <= table.model_fields.keys():
            fit.append(name)
            if all(key in value for key, inner in table.model_fields.items() if inner.is_required()):
                complete.append(name)
    return complete if complete or whole else fit


def _put_above(headings: list[str]) -> str:
    named = ", ".join(f"[{name}]" for name in headings)
    return f"put the heading {named} above it" if len(headings) == 1 else f"put a heading above it: {named}"


def _model_in(annotation: object) -> type[BaseModel] | None:
    """The model among the arguments of a dict or list type, however deep."""
    for argument in get_args(annotation):
        if isinstance(argument, type) and issubclass(argument, BaseModel):
            return argument
        inner = _model_in(argument)
        if inner:
            return inner
    return None


def meant(model: type[BaseModel], error: ErrorDetails) -> KeyPath | None:
    """The path of the known key that an unknown one is a slip for, if there is one."""
    if error["type"] != "extra_forbidden":
        return None
    path = error["loc"]
    close = nearest(str(path[-1]), _field(model, path)[1])
    return (*path[:-1], close) if close is not None else None


def mend(data: dict[str, Any], model: type[BaseModel], errors: list[ErrorDetails]) -> set[KeyPath]:
    """Put a stand-in for what is wrong, or take it out; returns where."""
    drop: set[KeyPath] = set()
    mended: set[KeyPath] = set()
    for error in errors:
        loc, kind = error["loc"], error["type"]
        path = loc[:-1] if loc[-1:] == ("[key]",) else loc if kind == "missing" else _present(data, loc)
        mended.add(path)
        stand_in = None
        info, *_ = _field(model, path)
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
