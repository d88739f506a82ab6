"""From a file on disk to a checked model, or to problems with their places.

A file with mistakes is mended in memory so that the search for further mistakes can go on; nothing is ever
compiled from a mended file.
"""

from __future__ import annotations

import ast
import codecs
import re
import tomllib
from copy import deepcopy
from decimal import Decimal
from pathlib import Path

from pydantic import ValidationError

from dosewright.gen.locate import Places
from dosewright.gen.mending import explain, meant, mend
from dosewright.gen.problems import Problem
from dosewright.gen.source import Model, Source, dotted

MOST_BYTES = 4 * 1024 * 1024  # 10 000 recipes of ten parts are below 4 MiB
DEEPEST = 16
_ROUNDS = 8
# what an editor for prose makes of a quote
_CURLED = (
    "\N{LEFT DOUBLE QUOTATION MARK}",
    "\N{RIGHT DOUBLE QUOTATION MARK}",
    "\N{DOUBLE LOW-9 QUOTATION MARK}",
    "\N{LEFT SINGLE QUOTATION MARK}",
    "\N{RIGHT SINGLE QUOTATION MARK}",
    "\N{SINGLE LOW-9 QUOTATION MARK}",
)
_MENDING = {  # how the parser's message begins, and what mends it
    "Invalid value": "text needs quotes, a list square brackets",
    "Expected '=' after a key": "write key = value; a name with a space in it needs quotes",
    "Cannot overwrite a value": "a name may stand once in a table: take one of the two out",
    "Cannot declare": "a table may stand once in a file: put both together",
    "Expected newline or end of document": "begin a new line, or take out what is too much",
    "Unclosed": "look for what is missing: a comma, the bracket at the end, or the quote of a text before it",
    "Illegal character": "close the text with a quote on the same line",
}


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


def _text(path: Path, source: Source[Model]) -> str | None:
    """The text of a file, or None and a problem."""
    wanted, remedy = "a text file", "see dosewright new for a project to start from"

    def refuse(found: str, wanted: str, remedy: str, line: int = 0, column: int = 0) -> None:
        source.problems.append(Problem(source.name, line, column, "", found, wanted, remedy))

    data = b""
    try:
        if path.is_dir():
            refuse("a folder", wanted, "move the folder away and put the file there")
        elif not path.exists():
            refuse("no such file", wanted, remedy)
        elif not path.is_file():
            refuse("something that is no file", wanted, remedy)
        else:
            with path.open("rb") as stream:
                data = stream.read(MOST_BYTES + 1)
    except OSError as error:
        refuse(f"a file that cannot be read ({error.strerror or error})", wanted, "check its permissions")
    except ValueError:
        refuse("a path that cannot exist", wanted, remedy)
    data = data.removeprefix(codecs.BOM_UTF8)
    if len(data) > MOST_BYTES:
        most = f"{MOST_BYTES // 1024 // 1024} MiB"
        refuse(f"more than {most}", f"at most {most}", "check that this is the right file")
    elif data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        refuse("text in UTF-16", "text in UTF-8", "save the file with the encoding UTF-8", 1, 1)
    elif b"\0" in data:
        line, column = _end(data[: data.index(b"\0")])
        refuse("a NUL byte", "text in UTF-8", "save the file as UTF-8 text", line, column)
    if source.problems:
        return None
    try:
        return data.decode()
    except UnicodeDecodeError as error:
        line, column = _end(data[: error.start])
        found = f"the byte 0x{data[error.start]:02x}, which is not UTF-8"
        refuse(found, "text in UTF-8", "save the file with the encoding UTF-8", line, column)
    return None


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
        # the parser names a table by the tuple of its keys, as Python writes that
        found = re.sub(
            r"^(this: Cannot [a-z ]+)(\(.*\))",
            lambda names: names[1] + dotted(ast.literal_eval(names[2])),
            found,
        )
    except RecursionError:
        found = "tables or lists nested too deep"
    except (ValueError, ArithmeticError):  # more digits than an integer or a decimal may have
        found = "a number of very many digits"
    else:
        if _depth(source.raw) <= DEEPEST:
            return True
        source.raw = {}
        found = "tables or lists nested too deep"
    mended = (remedy for start, remedy in _MENDING.items() if found.startswith(f"this: {start}"))
    remedy = next(mended, "mend the text at this place")
    if _at(text, line, column) in _CURLED:
        remedy = 'write straight quotes: "'
    source.problems.append(Problem(source.name, line, column, "", found, "a file in TOML", remedy))
    return False


def _at(text: str, line: int, column: int) -> str:
    """The character at a place counted from 1, if there is one."""
    return text.split("\n")[line - 1][column - 1 : column]


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
                # a misspelt key that is needed is one mistake, not an unknown and a missing one
                seen = {missing for item in errors if (missing := meant(model, item)) is not None}
                for item in errors:
                    explain(source, model, item, seen)
            source.mended |= mend(data, model, errors)
