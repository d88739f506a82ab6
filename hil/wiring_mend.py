"""machine.toml mended after a walk: shown first, checked as any other, written whole or not at all."""

from __future__ import annotations

import difflib
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from dosewright.gen.load import FILES, load
from dosewright.gen.locate import Path as KeyPath
from dosewright.gen.output import replace_all
from dosewright.gen.problems import UserError
from dosewright.gen.rewrite import set_texts

NAME = "machine.toml"


@dataclass(frozen=True, slots=True)
class Change:
    """The file before and after; ``shown`` is what differs, line by line."""

    before: bytes
    after: bytes
    shown: str


def mended(folder: Path, changes: Mapping[KeyPath, str]) -> Change:
    """What the file would become. Raises UserError where it would no longer check clean."""
    before = (folder / NAME).read_bytes()
    mark = b"\xef\xbb\xbf" if before.startswith(b"\xef\xbb\xbf") else b""
    old = before.removeprefix(mark).decode()
    new = set_texts(NAME, old, changes)
    after = mark + new.encode()
    with tempfile.TemporaryDirectory(prefix="dosewright-") as name:
        trial = Path(name)
        for file in FILES:
            if (folder / f"{file}.toml").is_file():
                shutil.copyfile(folder / f"{file}.toml", trial / f"{file}.toml")
        (trial / NAME).write_bytes(after)
        try:
            load(trial)
        except UserError as error:
            raise UserError(
                f"{NAME} cannot be mended by itself, the result would have these mistakes; change "
                f"the wiring, or the file by hand:\n{error}"
            ) from None
    lines = difflib.unified_diff(old.splitlines(), new.splitlines(), lineterm="", n=0)
    shown = [line for line in lines if line[:2] not in ("--", "++", "@@")]
    return Change(before, after, "\n".join(shown))


def write(folder: Path, change: Change) -> None:
    """Put the new file in the old one's place. Raises UserError where that was changed meanwhile."""
    if (folder / NAME).read_bytes() != change.before:
        raise UserError(
            f"{folder / NAME}: found that it was changed meanwhile; nothing was written; walk again"
        )
    replace_all(folder, {NAME: change.after})
