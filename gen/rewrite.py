"""A file of the user's with some values changed and all else kept: comments, order, spacing, line ends."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import Any

from dosewright.gen.locate import Path as KeyPath
from dosewright.gen.problems import UserError
from dosewright.gen.source import dotted


def set_texts(name: str, text: str, changes: Mapping[KeyPath, str]) -> str:
    """The file's text with these text values, each by its path; a new key goes behind its table's first.

    What comes out is read again and compared value by value, so nothing else can have changed. Raises
    UserError, naming every change, where the file is written in a way that cannot be followed.
    """
    import tomlkit  # a heavy import that only a mended file needs
    from tomlkit.exceptions import TOMLKitError

    wanted = tomllib.loads(text)
    line_end = "\r\n" if "\r\n" in text else "\n"
    try:
        document = tomlkit.parse(text if text.endswith("\n") else text + line_end)
        for path, value in changes.items():
            _table(wanted, path)[path[-1]] = value
            table, key = _table(document, path), path[-1]
            if isinstance(key, int):
                table[key] = value
                continue
            new = key not in table
            table[key] = value
            if new:
                _behind_the_first(table, key, line_end)
        changed = str(document.as_string())
        followed = tomllib.loads(changed) == wanted
    except (TOMLKitError, tomllib.TOMLDecodeError, LookupError, TypeError, AttributeError):
        followed = False
    if not followed:
        by_hand = ", ".join(f'{dotted(path)} = "{value}"' for path, value in changes.items())
        raise UserError(
            f"{name}: found a way of writing that cannot be changed with its comments kept; "
            f"wanted {by_hand}; change it by hand"
        )
    return changed


def _table(root: Any, path: KeyPath) -> Any:
    for key in path[:-1]:
        root = root[key]
    return root


def _behind_the_first(table: Any, name: str, line_end: str) -> None:
    """Move a new entry behind its table's first: at the end it would stand below comments of the next."""
    from tomlkit.items import InlineTable, Table

    if isinstance(
        table, InlineTable
    ):  # has no lines, so the end is the place; only the space before } is lost
        table.value.body[-1][1].trivia.trail = " " if table.as_string().startswith("{ ") else ""
    elif isinstance(table, Table):
        body = table.value.body
        keys = [key.key if key is not None else None for key, _ in body]
        entry = body.pop(keys.index(name))
        entry[1].trivia.trail = line_end
        body.insert(next(index for index, key in enumerate(keys) if key is not None) + 1, entry)
